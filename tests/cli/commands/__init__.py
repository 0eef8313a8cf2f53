"""Tests of bundlekeeper/cli/commands."""
