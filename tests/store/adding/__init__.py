"""Tests of bundlekeeper/store/adding."""
