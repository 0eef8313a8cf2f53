"""Bytes and text in, values out: TOML, JSON, SQLite, dates, safe names.

Nothing of the trade lives here, and nothing here imports a floor above.
"""
