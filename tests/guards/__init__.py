"""Each guard taken out, one at a time, in a copy of the tree, and its test seen to go red.

`python -m tests.guards [--only WORD]` prints a table. Rules: the tree itself is never touched; a guard is an exact
piece of text that stands once in its file, and what is put in its place; the tests named are run in a process that
imports the copy, first without any change (they must be green), then with it (at least one must be red).
"""
