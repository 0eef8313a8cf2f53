"""Tests of bundlekeeper/media/receipt."""
