"""Adding a manifest's bundles: found, copied and hashed in one read, put in place durably.

`verifying` verifies what is in the store already.
"""
