"""The documents of a route: as it is written, and as a hand wrote it.

Types and their JSON; nothing is planned here.
"""
