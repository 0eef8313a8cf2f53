"""The types and rules of the trade: manifest, inventory, media, route documents, trust.

Pure: no file, no clock, no terminal, no database.
"""
