"""Tests of bundlekeeper/ledger/exchange."""
