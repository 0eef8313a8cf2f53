"""The order of steps from here to there, checked, explained where there is none, and the way back.

Steps only; what happens inside of one is in windows.
"""
