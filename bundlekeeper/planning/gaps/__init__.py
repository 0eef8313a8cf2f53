"""Everything that is between a domain and a release, before anything is uploaded.

Finds and tells; the order of work is the route's.
"""
