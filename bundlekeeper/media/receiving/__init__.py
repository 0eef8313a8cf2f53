"""Finds volumes, checks their signatures and adds what they have to a store.

Only receiving; nothing is written on a medium.
"""
