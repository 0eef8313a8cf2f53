"""One set of volumes: what belongs to it, its signed index, what this store remembers of it.

Nothing is written on a medium here.
"""
