"""Tests of bundlekeeper/model/inventory."""
