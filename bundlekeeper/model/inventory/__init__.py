"""The components that exist and what they run: read from TOML, JSON and tables, compared, written.

Pure: the caller reads the files and gives their bytes.
"""
