"""Bytes and text in, values out; nothing of the trade lives here, and nothing here imports a floor above."""
