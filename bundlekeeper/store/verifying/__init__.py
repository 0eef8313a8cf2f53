"""Verifying the store, or any folder: its files read again and compared with the manifest.

Only wrong files are moved, into quarantine; nothing is added.
"""
