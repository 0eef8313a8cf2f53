"""What the exports tell: of which day and store, the firmware that is known, the figures for monitoring.

What makes text of it is in `cli/screen/exports`; the tables are answers of other jobs.
"""
