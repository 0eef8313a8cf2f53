"""Everything that is printed: text, tables, progress, JSON, signals, exit status.

Values come in, text goes out; nothing is asked of a store, nothing is judged.
"""
