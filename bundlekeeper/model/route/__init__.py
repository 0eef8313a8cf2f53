"""The documents of a route: as `route` writes one, and as a person writes one.

Types and their reading; nothing is planned here.
"""
