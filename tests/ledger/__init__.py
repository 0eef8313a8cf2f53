"""Tests of bundlekeeper/ledger."""
