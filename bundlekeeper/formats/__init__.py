"""Bytes and text in, values out: TOML, JSON, SQLite, dates, safe names.

Nothing here knows firmware, and nothing here imports a layer above.
"""
