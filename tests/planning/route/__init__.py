"""Tests of bundlekeeper/planning/route."""
