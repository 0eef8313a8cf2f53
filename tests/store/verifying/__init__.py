"""Tests of bundlekeeper/store/verifying."""
