"""A kept plan beside what became of it: what is done, what is left, what the rules leave, a night played beforehand.

Nothing is searched for and nothing recorded: what is left is judged as any plan is.
"""
