"""Tests of bundlekeeper/model/route."""
