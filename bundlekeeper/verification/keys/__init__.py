"""Public keys, certificates, revocation and trust entries: read, checked, refused when weak.

No signature is verified here.
"""
