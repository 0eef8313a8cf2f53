"""Tests of bundlekeeper/store/database."""
