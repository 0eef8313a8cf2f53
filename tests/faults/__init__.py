"""Faults that no single folder answers for: disks, input, load, names, processes, media.

Each is a row of the table of faults.
"""
