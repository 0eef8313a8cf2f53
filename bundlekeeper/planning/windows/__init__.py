"""The steps laid out in time: windows, restarts, what is down when.

It takes a route as it is.
"""
