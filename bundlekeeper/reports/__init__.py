"""Pages, pictures and text for people, made from results.

Renders what it is given and computes nothing; imports errors, findings and model only.
"""
