"""Tests of bundlekeeper/planning."""
