"""Tests of bundlekeeper/jobs/pages."""
