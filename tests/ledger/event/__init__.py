"""Tests of bundlekeeper/ledger/event."""
