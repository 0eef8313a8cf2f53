"""What several tests share with those of cli/commands/test_route.py."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[2]


HARBOUR = ROOT / "manifests" / "marram-2026-11.toml"


WORDS = ("route", "holm-a", "--to", "6.1")


PLAN = """plan = 1
domain = "holm-a"
release = "6.1"

[[step]]
what = "infrastructure"
version = "6.1.0"

[[step]]
what = "blade"
version = "6.1.0"

[[step]]
what = "servers"
release = "6.1"
"""
