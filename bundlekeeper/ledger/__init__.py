"""The ledger: what was put where, when, on whose word; and what that answers."""
