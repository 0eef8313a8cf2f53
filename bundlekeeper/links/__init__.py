"""What comes over a network or from a foreign program's file: HTTP, Redfish, spreadsheets.

Bounded and distrusted; it returns values of the model and knows no store's files and no ledger.
"""
