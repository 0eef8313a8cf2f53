"""Tests of bundlekeeper.cli.commands.handbook."""
