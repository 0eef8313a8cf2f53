"""Everything that is between a domain and a release, before anything is uploaded.

Finds and reports; the order of work is the route's.
"""
