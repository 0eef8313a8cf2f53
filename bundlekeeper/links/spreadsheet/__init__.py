"""Reads workbooks in a process of its own, with limits.

It returns cells; the inventory's reader decides what they mean.
"""
