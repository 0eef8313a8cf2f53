"""The store's jobs: add, list, verify, remove a bundle; what was removed, and what still needs one.

Each joins the store with what the ledger and the media sets say about it; nothing is printed here.
"""
