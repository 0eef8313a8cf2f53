"""Volumes found, trusted and brought into a store.

Only what comes in; nothing is written on a medium.
"""
