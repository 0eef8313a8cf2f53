"""The command line: what a user types, and what is shown.

Here live typer, rich and the exit status; nothing here decides, and no other floor prints.
"""
