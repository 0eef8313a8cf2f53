"""Digests of bytes that were really read, on all cores.

No signature.
"""
