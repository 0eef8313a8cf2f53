"""Jobs that follow a plan to its end: keeping it, its progress, a whole window's record, a night played beforehand.

Plans are made and judged in planning; what is recorded of one component is in recording.
"""
