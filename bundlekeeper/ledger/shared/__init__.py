"""A ledger that several people share: its events are in a PostgreSQL database, and a copy here answers from them.

All of PostgreSQL's dialect, and its library, are in this folder. Nothing here answers a question of a user.
"""
