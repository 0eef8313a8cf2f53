"""Tests of bundlekeeper/cli/screen."""
