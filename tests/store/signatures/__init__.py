"""Tests of bundlekeeper/store/signatures."""
