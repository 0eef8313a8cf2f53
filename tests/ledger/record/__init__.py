"""Tests of bundlekeeper/ledger/record."""
