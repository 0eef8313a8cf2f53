"""A manifest's bundles brought in: found, copied and hashed at once, put in place durably.

What is in the store already is verified next door.
"""
