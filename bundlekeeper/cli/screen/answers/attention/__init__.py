"""The answers of `status` and `accept`, one renderer each.

As in the folder above: nothing is computed here, everything goes through `output`.
"""
