"""Digests and signatures: whether bytes are what somebody said.

Bytes and descriptors come in; no store, no database.
"""
