"""Files, folders, locks and rights as the operating system keeps them, made durable.

Nothing of bundles.
"""
