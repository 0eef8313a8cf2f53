"""One volume: its folder, its bag, its texts, its free space, whether it was read back.

Nothing of the set that it belongs to, nor of a store.
"""
