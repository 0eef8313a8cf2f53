"""Pictures as numbers and texts, which `templates/pictures.html` draws as SVG: for the pages and for run-books.

Nothing here knows a kind by its name or computes a state; a name that is too long for its place ends with `…` and is
whole in the title.
"""
