"""Jobs about the ledger: loading inventories, recording, asking where, the ledger itself.

What they join is opened by the session; the rules of an event are in ledger.
"""
