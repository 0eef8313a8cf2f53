"""File names of bundles and signatures: safe everywhere, and no name twice.

Rules: the rules for one name are in `formats.safe_names`; bundles and signatures share one folder on a medium, so
their names are compared with each other.
"""

from __future__ import annotations

from collections.abc import Iterator

from bundlekeeper.formats.safe_names import collision_key, problems_of_name
from bundlekeeper.formats.text_file import shown
from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.model.lint.common.problem import Problem
from bundlekeeper.model.lint.common.raw_rows import Loose, table


def check_files(loose: Loose) -> Iterator[Problem]:
    """Every problem of the file names."""
    same: dict[str, Path] = {}
    alike: dict[str, tuple[Path, str]] = {}
    for path, name in _names(loose):
        for problem in problems_of_name(name):
            yield Problem("name-unsafe", path, f"{shown(name)}: {problem.message}", problem.hint, at=problem.at)
        if not name:
            continue
        key = collision_key(name)
        if name in same:
            message = f"{shown(name)} is the name of two files"
            yield Problem("name-twice", path, message, "each file of a manifest needs its own name", other=same[name])
        elif key in alike:
            other, other_name = alike[key]
            if name.casefold() == other_name.casefold():
                message = f"{shown(name)} and {shown(other_name)} differ only by case"
            else:
                message = f"{shown(name)} and another name differ only by case or Unicode form"
            hint = "rename one: on a FAT or exFAT stick one would replace the other"
            yield Problem("name-clash", path, message, hint, other=other)
        same.setdefault(name, path)
        alike.setdefault(key, (path, name))


def _names(loose: Loose) -> Iterator[tuple[Path, str]]:
    for bundle in loose.bundles:
        name = bundle.table.get("file")
        if isinstance(name, str):
            yield (*bundle.path, "file"), name
        signature = table(bundle.table.get("signature")).get("file")
        if isinstance(signature, str):
            yield (*bundle.path, "signature", "file"), signature
