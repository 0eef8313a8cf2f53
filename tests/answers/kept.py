"""The kept answers as files: one a question, an answer a line, JSON, packed (most of what is answered repeats)."""

from __future__ import annotations

import difflib
import json
import lzma
from collections.abc import Iterable
from pathlib import Path

FOLDER = Path(__file__).parent / "kept"


def path_of(name: str) -> Path:
    """Where a question's answers are kept."""
    return FOLDER / f"{name}.jsonl.xz"


def load(name: str) -> list[str]:
    """The kept answers of a question, by seed; none where none are kept."""
    path = path_of(name)
    if not path.exists():
        return []
    return [json.loads(line) for line in lzma.decompress(path.read_bytes()).splitlines()]


def keep(name: str, answers: Iterable[str]) -> None:
    """Write a question's answers."""
    data = "".join(json.dumps(answer) + "\n" for answer in answers).encode()
    path_of(name).write_bytes(lzma.compress(data, preset=9 | lzma.PRESET_EXTREME))


def difference(name: str, seed: int, before: str, now: str) -> list[str]:
    """The unified diff of one answer."""
    lines = before.splitlines(), now.splitlines()
    label = f"{name} {seed}"
    return list(difflib.unified_diff(*lines, f"kept {label}", f"now {label}", lineterm="", n=2))
