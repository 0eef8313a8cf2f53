"""Does it fit, and what to remove so that it does.

Nothing but space.
"""
