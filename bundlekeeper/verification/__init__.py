"""Digests and signatures: whether bytes are the expected ones, and who signed them.

It works on bytes and descriptors; it knows no store and no database.
"""
