"""The store, or any folder, read again and compared with what it should hold.

It moves only what is wrong, into quarantine; it adds nothing.
"""
