"""Tests of bundlekeeper/planning/progress."""
