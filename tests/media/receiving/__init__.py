"""Tests of bundlekeeper/media/receiving."""
