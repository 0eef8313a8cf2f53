"""Tests of bundlekeeper/links/spreadsheet."""
