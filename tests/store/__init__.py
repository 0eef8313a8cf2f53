"""Tests of bundlekeeper/store."""
