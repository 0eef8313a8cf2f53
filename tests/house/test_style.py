"""The linters are part of the test line: ruff's rules and format, mypy --strict on the package and the tests."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
@pytest.mark.parametrize(
    "arguments",
    [
        ["ruff", "check", "--no-cache", "bundlekeeper", "tests"],
        ["ruff", "format", "--no-cache", "--check", "bundlekeeper", "tests"],
        ["mypy", "--strict", "bundlekeeper", "tests"],
    ],
    ids=["ruff-check", "ruff-format", "mypy"],
)
def test_linters_find_nothing(arguments: list[str]) -> None:
    """Runs the tool as a developer would; its output is the failure message."""
    result = subprocess.run([sys.executable, "-m", *arguments], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr
