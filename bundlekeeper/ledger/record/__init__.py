"""The ledger as a file: appended to, verified, rebuilt.

It knows nothing of exchange files and answers no question of a user.
"""
