"""The ledger as a file: appended to, verified, rebuilt.

Nothing of another store's ledger, and no question of a user.
"""
