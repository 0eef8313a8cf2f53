"""Tests of bundlekeeper/model/media."""
