"""What several tests share with those of cli/commands/test_ledger.py."""

from __future__ import annotations

from pathlib import Path

MARRAM = Path(__file__).parents[2] / "manifests" / "marram-2026-11.toml"
