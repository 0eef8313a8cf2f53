"""The components that exist and what they run: read from TOML, JSON and tables, compared, written.

Pure: text comes in as bytes that somebody else read.
"""
