"""A folder of bundles that can be read with no tool at all, and its database.

Folders, each importing those before it: disk, database, contents, signatures, adding and verifying.
"""
