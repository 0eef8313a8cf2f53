"""Tests of bundlekeeper/media."""
