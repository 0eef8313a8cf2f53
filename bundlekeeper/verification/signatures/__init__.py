"""Signatures of each form: read, verified, judged against trust entries, made.

Files and stores are elsewhere.
"""
