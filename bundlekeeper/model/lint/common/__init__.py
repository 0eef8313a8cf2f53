"""What all checks share: the loose document, the problem, the orders, the codes.

No check is here.
"""
