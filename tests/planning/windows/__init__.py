"""Tests of bundlekeeper/planning/windows."""
