"""Tests of bundlekeeper/formats."""
