"""What events add up to: the state of each component, kept up to date as events are appended.

No question of a user is answered here, and nothing is appended.
"""
