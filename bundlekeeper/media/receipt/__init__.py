"""The receipt of a site: written, signed, read back, on paper too.

What it says is taken from the set's records; nothing is received here.
"""
