"""What several tests share with those of store/adding/test_faults.py."""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

root_only = pytest.mark.skipif(os.geteuid() != 0, reason="needs root to mount")


@contextlib.contextmanager
def mounted(point: Path, kind: str, what: str, options: str) -> Iterator[Path]:
    """A file system of the test's own; skips where mounting is not allowed."""
    point.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", kind, "-o", options, what, point], capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.skip(f"mount -t {kind}: {done.stderr.strip()}")
    try:
        yield point
    finally:
        subprocess.run(["umount", "-l", point], check=True)


def litter(root: Path) -> list[str]:
    """What is left in the folder of temporary files."""
    return os.listdir(root / ".keeper/incoming")
