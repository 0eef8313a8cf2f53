"""One module a command: parse, call a job, hand what it returns to the screen, exit.

No store is opened and no file is read here; whatever judges belongs to jobs or below.
"""
