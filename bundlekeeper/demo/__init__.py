"""The tour: an invented world made on disk, and the whole job done in it.

It is given what it runs and imports nothing of the command line.
"""
