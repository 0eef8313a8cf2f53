"""Kept answers: whole answers to many seeded questions, so that a change of any of their words or counts is seen.

They verify nothing: whether an answer is right is held elsewhere, against sources outside of the project. Here a
difference only says that an answer changed, and shows where; a reader says whether it was meant to.
"""
