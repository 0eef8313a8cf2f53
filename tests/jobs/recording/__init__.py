"""Tests of bundlekeeper/jobs/recording."""
