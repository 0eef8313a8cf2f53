"""Words of the format and lists of the manifest: its format number, kinds, families, repetitions.

Rules: kinds are the closed list of the format, extended by the manifest's own [kind.…] tables; an empty manifest is
reported once, not once per family.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from bundlekeeper.findings import Level
from bundlekeeper.formats.text_file import shown
from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.model.lint.common.format import did_you_mean
from bundlekeeper.model.lint.common.problem import Problem
from bundlekeeper.model.lint.common.raw_rows import Loose, items, rows, table
from bundlekeeper.model.manifest.types import FORMAT
from bundlekeeper.model.vocabulary import FAMILIES, KINDS

_KIND_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_MAX_KIND = 64
#: Keys of a kind that its models cannot have.
_OF_KINDS = ("order", "list", "models", "down", "pair", "turn", "ahead", "lists_models", "none")


def check_words(loose: Loose) -> Iterator[Problem]:
    """Every problem of the format number, the kinds, the families and repeated list elements."""
    number = loose.raw.get("manifest", FORMAT)
    if type(number) is not int or number != FORMAT:
        message = f"the format is {shown(number)}"
        yield Problem("bad-value", ("manifest",), message, f"write manifest = {FORMAT}; no other format exists")
    yield from _kinds_used(loose)
    yield from _kind_tables(loose)
    yield from _families(loose)
    yield from _repeated(loose)


def _kinds_used(loose: Loose) -> Iterator[Problem]:
    for path, kind in _uses(loose):
        if kind not in loose.all_kinds:
            hint = did_you_mean(kind, sorted(loose.all_kinds)[:200])
            if _KIND_NAME.fullmatch(kind):
                hint = hint or f"one of {', '.join(KINDS)}; or add a table [kind.{kind}]"
            hint = hint or "kinds are written in small letters, in words joined by hyphens"
            yield Problem("kind-unknown", path, f"there is no kind {shown(kind)}", hint)
        elif kind in loose.none:
            message = f"[kind.{kind}] says that this platform has no {kind}"
            yield Problem("kind-absent", path, message, "leave it out here, or take none = true away")


def _uses(loose: Loose) -> Iterator[tuple[Path, str]]:
    """Every place that names a kind."""
    for bundle in loose.bundles:
        yield from items(bundle.table, "only", bundle.path)
        for image in bundle.images:
            if image.kind is not None:
                yield (*image.path, "kind"), image.kind
    for path, jump in rows(loose.raw, "jump"):
        yield from _kind_of((*path, "what"), jump.get("what"))
    for path, compatible in rows(loose.raw, "compatible"):
        yield from _kind_of((*path, "when"), compatible.get("when"))
        for inner, need in rows(compatible, "need", path):
            yield from _kind_of(inner, need)


def _kind_of(path: Path, value: object) -> Iterator[tuple[Path, str]]:
    kind = table(value).get("kind")
    if isinstance(kind, str):
        yield (*path, "kind"), kind


def _kind_tables(loose: Loose) -> Iterator[Problem]:
    used = {kind for _, kind in _uses(loose)}
    for kind, row in loose.kinds.items():
        path: Path = ("kind", kind)
        if not _KIND_NAME.fullmatch(kind) or len(kind) > _MAX_KIND:
            message = f"{shown(kind)} cannot be a kind's name"
            hint = f"small letters and digits, in words joined by single hyphens, at most {_MAX_KIND} characters"
            yield Problem("bad-value", path, message, hint, on_key=True)
        elif kind not in KINDS and kind not in used and kind not in loose.none:
            message = f"no image and no rule is of the kind {shown(kind)}"
            hint = did_you_mean(kind, list(KINDS)) or "delete the table, or list the images of that kind"
            yield Problem("kind-unused", path, message, hint, on_key=True)
        for model, inner in table(table(row).get("models")).items():
            for key in _OF_KINDS:
                if key in table(inner):
                    message = f"{key} belongs to a kind, not to one model of it"
                    hint = f"move it up to [kind.{kind}]"
                    yield Problem("bad-value", (*path, "models", model, key), message, hint, on_key=True)


def _families(loose: Loose) -> Iterator[Problem]:
    bundles = loose.raw.get("bundle", [])
    if not bundles:
        path: Path = ("bundle",) if "bundle" in loose.raw else ()
        yield Problem("no-bundle", path, "the manifest lists no bundle", "add a [[bundle]] for every file")
        return
    # Where some bundle's family cannot be read, no family can be called empty.
    if (
        isinstance(bundles, list)
        and len(loose.bundles) == len(bundles)
        and all(bundle.family for bundle in loose.bundles)
    ):
        yield from _empty_families(loose)
    listed: Any = loose.raw.get("families", list(FAMILIES))
    if not isinstance(listed, list) or any(family not in FAMILIES for family in listed):
        return
    for path, family, on_key in _families_named(loose):
        if family not in listed:
            message = f"{family} is not among the families of this manifest"
            hint = f'add "{family}" to families, or delete it here'
            yield Problem("family-unlisted", path, message, hint, on_key=on_key)


def _empty_families(loose: Loose) -> Iterator[Problem]:
    listed = {family: path for path, family in reversed(list(items(loose.raw, "families")))}
    for family in dict.fromkeys(loose.families):
        if not loose.of(family):
            message = f"{family} is listed, but no bundle is of that family"
            if "families" not in loose.raw:
                message = f"no bundle is of the family {family} (all three are expected where families is not given)"
            hint = f"add its bundles, or give families = {_others(loose, family)}"
            yield Problem("family-empty", listed.get(family, ()), message, hint)


def _families_named(loose: Loose) -> Iterator[tuple[Path, str, bool]]:
    for bundle in loose.bundles:
        if bundle.family is not None:
            yield (*bundle.path, "family"), bundle.family, False
    for release in loose.releases:
        for family in release.versions:
            yield (*release.path, family), family, True


def _others(loose: Loose, family: str) -> str:
    left = [f'"{other}"' for other in dict.fromkeys(loose.families) if other != family and loose.of(other)]
    return f"[{', '.join(left)}]"


def _repeated(loose: Loose) -> Iterator[Problem]:
    """List elements that are there twice; in [versions] and [kind.…] lists that is an error of their order."""
    lists: list[tuple[Path, dict[str, Any], str]] = [
        ((), loose.raw, "families"),
        ((), loose.raw, "variants"),
        (("versions",), table(loose.raw.get("versions")), "known"),
        (("versions",), table(loose.raw.get("versions")), "list"),
        *((("kind", kind), table(row), "list") for kind, row in loose.kinds.items()),
    ]
    for bundle in loose.bundles:
        lists.append((bundle.path, bundle.table, "only"))
        lists += [(path, image, "models") for path, image in rows(bundle.table, "images", bundle.path)]
    for path, release in rows(loose.raw, "release"):
        lists += [(path, release, family) for family in FAMILIES]
    for what in loose.whats():
        lists.append((what.path, _table_at(loose.raw, what.path), "models"))
    for path, row, key in lists:
        seen: dict[str, Path] = {}
        for place, item in items(row, key, path):
            if item in seen:
                level = Level.ERROR if key == "list" else None
                message = f"{shown(item)} is in {key} twice"
                yield Problem("repeated", place, message, "keep one of its places", other=seen[item], level=level)
            seen.setdefault(item, place)


def _table_at(raw: object, path: Path) -> dict[str, Any]:
    value: Any = raw
    for step in path:
        value = value[step]
    return table(value)
