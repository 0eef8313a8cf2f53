"""Tests of bundlekeeper/links/http."""
