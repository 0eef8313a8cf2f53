"""What a command does: joins store, ledger, media, links and planning, and returns values.

Here the store is opened, once a command; nothing here prints, and rules of the trade are in model and planning.
"""
