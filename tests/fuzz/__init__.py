"""A seeded mutation fuzz of every parser.

`python -m tests.fuzz --minutes N [--only PARSER] [--seed S]` runs it for longer; `tests/house/test_fuzz.py` runs a
bounded number of examples. Rules: only our own error family may come out; what an input may cost is bounded in calls
made, not by the clock; a seed gives the same examples again; a parser is added by one `add` in `parsers.py`.
"""
