"""The store database: its rows with their checksums, and the stored manifests that judge them.

Knows no store as a whole; it is given a folder or a connection.
"""
