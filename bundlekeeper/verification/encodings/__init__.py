"""The bounded readers of encodings that signatures use.

No key and no judgement.
"""
