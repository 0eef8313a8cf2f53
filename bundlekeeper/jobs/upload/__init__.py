"""Bringing a bundle's file to components over their management services: judged, sent once, believed when read back.

What is against a change is asked in planning, the conversation is in links; here they meet the store and the ledger.
"""
