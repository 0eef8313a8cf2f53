"""Tests of bundlekeeper/links."""
