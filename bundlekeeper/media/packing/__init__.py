"""Which bundle goes on which volume, with the fewest volumes: pure.

It works with sizes; it knows no files.
"""
