"""Ledgers of other stores: exported, merged, held against their chains.

It appends by record alone.
"""
