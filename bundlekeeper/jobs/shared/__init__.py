"""What a ledger that several people share adds to a command: opening it, doing without it, what others recorded.

No command of a user is here, and no SQL.
"""
