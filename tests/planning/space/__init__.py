"""Tests of bundlekeeper/planning/space."""
