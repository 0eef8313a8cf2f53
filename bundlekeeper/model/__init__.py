"""The types and rules of the trade: manifest, inventory, media, route documents, trust.

Each word that more than one module knows is declared once, in `vocabulary`.
Pure: no file, no clock, no terminal, no database.
"""
