"""Ledgers of other stores: exported, merged, compared with their chains.

Only the folder `record` appends.
"""
