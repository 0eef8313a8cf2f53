"""Tests of bundlekeeper/reports."""
