"""Taking bundles out of the store: what still needs one, the removal, and what was removed.

The ledger's entry is written first and decides; what is here joins it with the store.
"""
