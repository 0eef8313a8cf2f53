"""Random nights of work on components, their events recorded one by one, against a twin of the rules of banks.

`python -m tests.nights --count 10000 --seed 7` goes on for longer than the tests do.
"""
