"""The ledger: what was put where, when and on what evidence; and the answers that follow from it.

Five folders, each importing those before it: event, state, record, exchange, ask.
"""
