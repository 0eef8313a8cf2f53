"""The handbook on the screen: topics, codes, examples of the commands, completion scripts, man pages.

All of them are made from the commands and the handbook's own data; no page lists what the code lists.
"""
