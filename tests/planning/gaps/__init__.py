"""Tests of bundlekeeper/planning/gaps."""
