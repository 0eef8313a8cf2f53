"""Tests of the tree itself: imports, names, documents, guards, transcripts.

Nothing here runs a job.
"""
