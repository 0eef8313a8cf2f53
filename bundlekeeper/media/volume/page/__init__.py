"""The page that goes out with every volume beside verify.py: for a computer on which nothing may be installed.

Its parts are files of their own, with the licence of the library; `assembling.py` makes the one file of them.
"""
