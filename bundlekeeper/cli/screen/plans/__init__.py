"""What is printed of plans that are kept and followed.

One renderer an answer; nothing here computes.
"""
