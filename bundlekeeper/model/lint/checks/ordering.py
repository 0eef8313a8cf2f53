"""Versions and ranges in the declared orders.

Rules: a version that the order cannot place is reported once at each of its places; an order that cannot be made is
reported once, and nothing about its versions; a range is read in the order of what its rule is about. Only
`model.versions` reads ranges and places versions.
"""

from __future__ import annotations

from collections.abc import Iterator

from bundlekeeper.errors import VersionError
from bundlekeeper.findings import Level
from bundlekeeper.formats import limits
from bundlekeeper.formats.text_file import shown
from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.model.lint.common.orders import Scale, Scales
from bundlekeeper.model.lint.common.problem import Problem
from bundlekeeper.model.lint.common.raw_rows import Loose, LooseWhat, items, table
from bundlekeeper.model.versions import ORDER_NAMES, Key, Listed, Range


def check_versions(loose: Loose, scales: Scales) -> Iterator[Problem]:
    """Every problem of declared orders and of single versions."""
    yield from _declared(("versions",), table(loose.raw.get("versions")), is_main=True)
    for kind, row in loose.kinds.items():
        yield from _declared(("kind", kind), table(row), is_main=False)
    if scales.main is not None:
        for path, version in _main_versions(loose):
            yield from _placed(path, version, scales.main)
        yield from _equal(loose, scales.main)
    for bundle in loose.bundles:
        for image in bundle.images:
            scale = scales.scale(image.kind)
            if scale is not None and image.version is not None and image.kind in loose.all_kinds:
                level = None if scales.own(image.kind) else Level.WARNING
                hint = f"give the kind an order of its own: [kind.{image.kind}] order = …"
                yield from _placed((*image.path, "version"), image.version, scale, level, level and hint)


def _declared(path: Path, row: dict[str, object], *, is_main: bool) -> Iterator[Problem]:
    order = row.get("order", "natural" if is_main else None)
    if order == Listed.name and not list(items(row, "list")):
        if not row.get("list"):
            message = "order is listed, but there is no list"
            hint = 'give every version, oldest first: list = ["…", "…"]'
            yield Problem("order-listless", (*path, "order"), message, hint)
    elif "list" in row and order in (None, *ORDER_NAMES) and order != Listed.name:
        message = (
            f"the list of versions is not used: order is {order}" if order else "the list is not used without an order"
        )
        yield Problem("list-unused", (*path, "list"), message, 'write order = "listed", or delete list', on_key=True)


def _main_versions(loose: Loose) -> Iterator[tuple[Path, str]]:
    """Every place of a version in the manifest's own order; those of releases are compared with the bundles'."""
    for bundle in loose.bundles:
        if bundle.version is not None:
            yield (*bundle.path, "version"), bundle.version
    yield from items(table(loose.raw.get("versions")), "known", ("versions",))


def _placed(
    path: Path, version: str, scale: Scale, level: Level | None = None, hint: str | None = None
) -> Iterator[Problem]:
    if len(version) > limits.VERSION_CHARACTERS:  # the types' check reports it
        return
    found = scale.placed(version)
    if isinstance(found, VersionError):
        yield Problem("version-unplaced", path, found.message, hint or found.hint, level=level)


def _equal(loose: Loose, scale: Scale) -> Iterator[Problem]:
    """Bundles of one family at versions that are equal but written differently."""
    seen: dict[tuple[object, ...], tuple[Path, str]] = {}
    for bundle in loose.bundles:
        if bundle.family is None or bundle.version is None:
            continue
        place = scale.placed(bundle.version)
        if isinstance(place, VersionError):
            continue
        path = (*bundle.path, "version")
        other, text = seen.setdefault((bundle.family, place), (path, bundle.version))
        if text != bundle.version:
            message = f"{shown(bundle.version)} and {shown(text)} are equal in {scale.order.name} order"
            hint = "if they are one version, write both in the same form; a component is shown with its own text"
            yield Problem("versions-equal", path, message, hint, other=other)


def check_ranges(loose: Loose, scales: Scales) -> Iterator[Problem]:
    """Every problem of single ranges: unreadable, empty, or matching nothing that the manifest knows.

    For a rule about something unknown, only a range that no order can read is reported. Raises SpentError when the
    budget is spent.
    """
    for path, text in loose.half_read():
        if len(text) <= limits.RANGE_CHARACTERS:
            try:
                Range.parse(text, _AnyOrder())
            except VersionError as e:
                yield Problem("range-unreadable", path, e.message, e.hint)
    for path, what, text in _ranges(loose):
        scale = scales.scale(what.kind)
        if scale is None or len(text) > limits.RANGE_CHARACTERS:
            continue
        span = scale.read(text)
        if isinstance(span, VersionError):
            yield Problem("range-unreadable", path, span.message, span.hint)
        elif span.is_empty():
            message = f"no version can meet {shown(text)}"
            yield Problem("range-empty", path, message, "fix the conditions; a comma means that all must be met")
        elif not scales.within(what, text):
            message = f"{shown(text)} matches no version of {called(what)} that this manifest knows"
            hint = "fix the range, add the bundle, or add the version to known under [versions]"
            yield Problem("range-unmatched", path, message, hint)


class _AnyOrder:
    """Places every version: a range that it refuses, no order can read."""

    name = "any"

    def key(self, version: str) -> Key:
        """The same place for all."""
        return (bool(version),)


def _ranges(loose: Loose) -> Iterator[tuple[Path, LooseWhat, str]]:
    for jump in loose.jumps:
        for key, text in (("to", jump.to), ("from", jump.from_)):
            if jump.what is not None and text is not None:
                yield (*jump.path, key), jump.what, text
    for compatible in loose.compatible_rules:
        for what in (compatible.when, *compatible.need):
            if what is not None and what.version:
                yield (*what.path, "version"), what, what.version


def called(what: LooseWhat) -> str:
    """How a sentence names a selection of components."""
    words = [what.kind or "", " or ".join(sorted(what.models)[:3]) if what.models else "", what.family or ""]
    return " ".join(shown(word) for word in words if word) or "anything"
