"""The ledger: what was put where, when, on what evidence; and what that answers.

Five folders, each importing those before it: event, state, record, exchange, ask.
"""
