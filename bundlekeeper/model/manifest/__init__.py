"""The manifest: its types, its schema, and drafting one from files and published lists.

Reading one with its problems is next door, in lint.
"""
