"""One event: its fields, its row in the database, its seal, its place in a chain.

Nothing here knows what the events add up to.
"""
