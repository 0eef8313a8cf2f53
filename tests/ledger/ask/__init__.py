"""Tests of bundlekeeper/ledger/ask."""
