"""Reads workbooks in a process of its own, with limits, and writes them.

It returns cells; the inventory's reader decides what they mean.
"""
