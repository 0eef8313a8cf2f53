"""One volume: its folder, its bag, its texts, its free space, whether it was read back.

Nothing about its set or about a store.
"""
