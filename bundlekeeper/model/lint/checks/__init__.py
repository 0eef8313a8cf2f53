"""One module per sort of check, each a function from the loose document to problems.

No check imports another, except for a shared name.
"""
