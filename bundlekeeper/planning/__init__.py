"""Pure functions from model to model: what is where, gaps, space, route, windows.

No I/O, no clock; the arrows: fleet, space, gaps, route, windows, each importing those before it.
"""
