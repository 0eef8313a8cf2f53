"""Schedules beside those of an exact solver that shares no code with them: `python -m tests.optimum`."""
