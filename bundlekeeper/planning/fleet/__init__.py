"""One manifest and one inventory, indexed; the state of a domain; the rules that hold.

No gap and no step is found here.
"""
