"""Tests of bundlekeeper/verification/signatures."""
