"""Which bundle goes on which volume, with the fewest volumes: pure.

Sizes come in; nothing is known of files.
"""
