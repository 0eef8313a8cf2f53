"""What the help of a command ends with: an example and a topic of the handbook.

Nothing of the screen is imported here: the screen and the handbook both use it.
"""
