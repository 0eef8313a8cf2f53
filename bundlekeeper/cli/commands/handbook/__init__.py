"""`help`, `explain`, `completion`: what is printed about the program itself.

No command here opens a store; what is printed is in the handbook or made from the commands.
"""
