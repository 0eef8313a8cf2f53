"""Tests of bundlekeeper/verification."""
