"""The pages of `report --overview` and `report --site`: what they show, put together; `reports` draws it.

Not here: run-books (`jobs.planning`), what needs attention (`jobs.attention`).
"""
