"""Digests of bytes that were really read, on all cores.

It knows no signatures.
"""
