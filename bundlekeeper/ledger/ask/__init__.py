"""Questions to the ledger: what is where, on a day, as known on a day.

Reads only.
"""
