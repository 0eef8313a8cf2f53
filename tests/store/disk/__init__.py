"""Tests of bundlekeeper/store/disk."""
