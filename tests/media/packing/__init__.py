"""Tests of bundlekeeper/media/packing."""
