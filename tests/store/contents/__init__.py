"""Tests of bundlekeeper/store/contents."""
