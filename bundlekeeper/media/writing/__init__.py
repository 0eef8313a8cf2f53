"""A set written to folders or images, and verified by reading the medium.

Only what goes out; receiving is a folder of its own.
"""
