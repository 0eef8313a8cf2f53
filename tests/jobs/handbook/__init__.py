"""Tests of bundlekeeper.jobs.handbook."""
