"""The store as a whole: its folders, what is in it right now, where a bundle belongs, quarantine.

Nothing is added or verified here.
"""
