"""Tests of bundlekeeper/media/volume."""
