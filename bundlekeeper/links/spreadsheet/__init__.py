"""Workbooks, read in a process of their own with limits.

Cells come out; what they mean is the inventory's.
"""
