"""A bundle's name is judged once by who reads the manifest and once by who makes a path of it, and nowhere else."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from bundlekeeper.cli.screen.run import run
from bundlekeeper.formats import safe_names
from bundlekeeper.model.lint.checks import files
from tests.conftest import World


def test_adding_judges_each_name_twice(world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By lint, which reports all problems of a manifest, and by the store; its place is computed from it once."""
    judged: Counter[str] = Counter()
    real = safe_names.problems_of_name

    def counting(name: str) -> list[safe_names.NameProblem]:
        judged[name] += 1
        return real(name)

    for module in (safe_names, files):
        monkeypatch.setattr(module, "problems_of_name", counting)
    words = [
        "store",
        "add",
        str(world.manifest),
        "--from",
        str(world.downloads),
        "--quiet",
        "--store",
        str(tmp_path / "store"),
    ]
    assert run(words) == 0
    bundles = {name: count for name, count in judged.items() if name.endswith(".bin")}
    assert len(bundles) == 9
    assert set(bundles.values()) == {2}
