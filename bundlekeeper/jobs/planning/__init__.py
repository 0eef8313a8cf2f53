"""Jobs that plan: their inputs, gaps, routes, run-books, pages.

What they join is opened by the session; the rules are in planning, the pages in reports.
"""
