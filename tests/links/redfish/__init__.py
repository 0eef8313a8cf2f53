"""Tests of bundlekeeper/links/redfish."""
