"""The answer of `store remove`.

As in the folder above: nothing is computed here, everything goes through `output`.
"""
