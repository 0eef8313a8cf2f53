"""HTTP: whole files from mirrors, resumed, bounded, in parallel.

Nothing of Redfish, and no store: it writes into files that it is given.
"""
