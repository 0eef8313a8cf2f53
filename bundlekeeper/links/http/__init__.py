"""HTTP: whole files from mirrors, resumed, bounded, in parallel.

It knows nothing of Redfish or stores: it writes into files that the caller gives.
"""
