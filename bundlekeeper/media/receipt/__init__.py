"""The receipt of a site: written, signed, printed too, and read where the set was made.

It states what the set's record and the ledger have; nothing is received here.
"""
