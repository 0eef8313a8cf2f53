"""Signatures of manifests and bundles as files in a store, and the list of trusted keys.

Cryptography is in verification; here are the files.
"""
