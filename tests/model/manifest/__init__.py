"""Tests of bundlekeeper/model/manifest."""
