"""What goes into the package: everything that it needs to run, and nothing that stands beside it."""

from __future__ import annotations

import tomllib
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "bundlekeeper"


def _setuptools() -> dict[str, Any]:
    tool: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    return tool


def test_every_file_that_is_no_module_is_packed() -> None:
    """A schema, a template or a marker that is left behind breaks the tool only where it was installed."""
    patterns = _setuptools()["package-data"]["bundlekeeper"]
    packed = {path for pattern in patterns for path in PACKAGE.glob(pattern)}
    others = {p for p in PACKAGE.rglob("*") if p.is_file() and p.suffix != ".py" and "__pycache__" not in p.parts}
    assert PACKAGE / "py.typed" in others
    assert others <= packed, "name it in [tool.setuptools.package-data]"
    assert all(any(PACKAGE.glob(pattern)) for pattern in patterns), "a pattern that means nothing"


def test_every_folder_of_modules_is_a_package_and_nothing_beside_is_one() -> None:
    """ "include" means names of packages with dots, matched as `fnmatch` does (setuptools' user guide, discovery)."""
    include = _setuptools()["packages"]["find"]["include"]
    for folder in {p.parent for p in PACKAGE.rglob("*.py")}:
        assert (folder / "__init__.py").is_file(), folder
        assert any(fnmatchcase(".".join(folder.relative_to(ROOT).parts), pattern) for pattern in include)
    for beside in ("bundlekeeper_extra", "bundlekeepers", "tests", "fixtures", "manifests"):
        assert not any(fnmatchcase(beside, pattern) for pattern in include)
