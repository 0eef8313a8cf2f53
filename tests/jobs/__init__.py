"""Tests of bundlekeeper/jobs."""
