"""Pictures as numbers and texts, which `templates/pictures.html` draws as SVG, for pages and run-books.

Not here: any state, any kind's name; a name too long for its place ends with `…` and is whole in the title.
"""
