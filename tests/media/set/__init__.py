"""Tests of bundlekeeper/media/set."""
