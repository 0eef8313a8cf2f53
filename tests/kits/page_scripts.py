"""Scripts of pages that we write, held against TypeScript's checker and ESLint; .ci/run installs both.

Rules: NODE_MODULES names the folder of Node's packages; where it is not set the test is skipped.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

_CONFIG = Path(__file__).with_name("eslint.config.mjs")
_TYPES = (
    "--noEmit", "--allowJs", "--checkJs", "--strict", "--noUncheckedIndexedAccess", "--skipLibCheck", "--types", "",
    "--target", "es2023", "--lib", "es2023,dom,dom.iterable,dom.asynciterable",
)  # fmt: skip


def type_errors(*files: Path) -> str:
    """What TypeScript says of scripts and of the declarations beside them; empty where every type is right."""
    return _said_of("typescript/bin/tsc", *_TYPES, *map(str, files), folder=files[0].parent)


def lint_errors(script: Path) -> str:
    """What ESLint says of a script by our rules; empty where it keeps them."""
    words = ("--config", str(_CONFIG), "--max-warnings", "0", script.name)
    return _said_of("eslint/bin/eslint.js", *words, folder=script.parent)


def _said_of(tool: str, *words: str, folder: Path) -> str:
    modules = os.environ.get("NODE_MODULES")
    if modules is None:
        pytest.skip(
            "NODE_MODULES names no folder of Node's packages; .ci/run makes one with typescript and eslint in it"
        )
    command = ["node", str(Path(modules, tool)), *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder)
    said = (done.stdout + done.stderr).strip()
    return said if said or done.returncode == 0 else f"{tool} ended with status {done.returncode}"
