"""Tests of bundlekeeper/model/lint."""
