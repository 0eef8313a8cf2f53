"""One module an answer: what a job returned, as text and as JSON.

Values come in, text goes out through `screen.output`; nothing is asked of a store, nothing is judged.
"""
