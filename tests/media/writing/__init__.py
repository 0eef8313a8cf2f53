"""Tests of bundlekeeper/media/writing."""
