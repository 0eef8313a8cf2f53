"""DMTF Redfish: sessions, the walk over a service, and the mapping of its resources to components.

Reading changes nothing, and only `upload` sends what does; the rules of the mapping are data.
"""
