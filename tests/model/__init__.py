"""Tests of bundlekeeper/model."""
