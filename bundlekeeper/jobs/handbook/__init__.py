"""The handbook: its topics with their generated parts, and what each finding code means.

Read from the package's own data (`bundlekeeper/handbook`); no store and no file of the user's is opened here.
"""
