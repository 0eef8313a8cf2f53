"""DMTF Redfish: sessions, the walk over a service, what it says mapped to components.

Reads only; what it maps by is data.
"""
