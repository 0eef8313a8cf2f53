"""Tests of bundlekeeper/verification/keys."""
