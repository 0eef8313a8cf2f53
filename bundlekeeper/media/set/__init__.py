"""One set of volumes: what belongs to it, its signed index, what this store keeps about it.

Nothing is written on a medium here.
"""
