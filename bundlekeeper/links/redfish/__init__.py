"""DMTF Redfish: sessions, the walk over a service, and the mapping of its resources to components.

It only reads; the rules of the mapping are data.
"""
