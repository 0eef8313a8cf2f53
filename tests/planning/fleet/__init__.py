"""Tests of bundlekeeper/planning/fleet."""
