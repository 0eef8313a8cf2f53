"""Reads what comes over a network or from a foreign program's file: HTTP, Redfish, spreadsheets.

Its input has limits and is not trusted; it returns values of the model and knows no files of a store and no ledger.
"""
