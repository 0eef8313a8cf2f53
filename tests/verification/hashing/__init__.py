"""Tests of bundlekeeper/verification/hashing."""
