"""Tests of bundlekeeper/cli."""
