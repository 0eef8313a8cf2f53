"""Jobs about the ledger: loading inventories, recording, asking where, verifying and merging the ledger.

The session opens the store and the ledger; the rules of an event are in `ledger`.
"""
