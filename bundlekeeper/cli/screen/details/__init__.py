"""What `--details` adds to the short answers of planning commands: everything that was found, rule by rule.

Nothing here decides; each module prints one answer as text. Short answers are in `screen/answers`.
"""
