"""`status` and `accept`: what needs attention, and what was accepted of it, one module each.

As in the folder above: parse, call a job, hand what it returns to the screen, exit.
"""
