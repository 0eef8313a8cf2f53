"""What events add up to: the state of a component, kept current as events are appended.

No question of a user is answered here, and nothing is appended.
"""
