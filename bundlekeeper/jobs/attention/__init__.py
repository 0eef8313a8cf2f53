"""What needs attention: over the store, the ledger, plans and media sets; and which findings were accepted.

Here is what goes over several of them; what is known of one of them alone is asked there.
"""
