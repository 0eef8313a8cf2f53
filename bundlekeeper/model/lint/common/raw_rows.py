"""The raw document as loose rows, so that one broken value never stops the checks of the others.

Rules: every field is of its right type or None; a row that is no table is left out (the types' own check reports it);
a selection (`what`, `when`, `need`) with anything wrong in it is None, because a misread rule would be misjudged;
nothing here makes a problem.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import FAMILIES, KINDS

Table = dict[str, Any]
_WHAT_KEYS = {"note", "family", "kind", "models", "version"}


@dataclass(frozen=True, slots=True)
class LooseImage:
    """One image of a bundle."""

    path: Path
    kind: str | None
    models: tuple[str, ...]
    version: str | None


@dataclass(frozen=True, slots=True)
class LooseBundle:
    """One bundle; `table` is the raw table."""

    path: Path
    table: Table
    family: str | None
    version: str | None
    file: str | None
    variant: str | None
    images: tuple[LooseImage, ...]

    @property
    def called(self) -> str:
        """How a sentence names the bundle."""
        return self.file or f"the {self.family or ''} bundle {self.version or ''}".replace("  ", " ").strip()

    def holds(self, what: LooseWhat) -> bool:
        """True when some component that `what` is about could get its firmware from this bundle."""
        if what.family is not None and self.family not in (what.family, None):  # unreadable: it may be of any family
            return False
        if what.kind is None and what.models is None:
            return True
        if what.kind is None and not self.images:  # nothing is known of its models
            return True
        return any(what.matches(image) for image in self.images)


@dataclass(frozen=True, slots=True)
class LooseWhat:
    """A selection of components; `version` is the text of its range."""

    path: Path
    family: str | None
    kind: str | None
    models: frozenset[str] | None
    version: str | None

    def matches(self, image: LooseImage) -> bool:
        """True when the image is of the kind and of one of the models, as far as they are given."""
        if self.kind is not None and self.kind != image.kind:
            return False
        return self.models is None or not self.models.isdisjoint(image.models)

    def meets(self, other: LooseWhat) -> bool:
        """True when some component may be of both, and both mean the same versions: bundles', or one kind's images'."""
        if self.kind != other.kind:
            return False
        if None not in (self.family, other.family) and self.family != other.family:
            return False
        return self.models is None or other.models is None or not self.models.isdisjoint(other.models)


@dataclass(frozen=True, slots=True)
class LooseRelease:
    """One release; `versions` by family, each with its path, preferred first."""

    path: Path
    name: str | None
    versions: dict[str, tuple[tuple[Path, str], ...]]


@dataclass(frozen=True, slots=True)
class LooseJump:
    """One jump rule."""

    path: Path
    what: LooseWhat | None
    to: str | None
    from_: str | None
    direction: str | None


@dataclass(frozen=True, slots=True)
class LooseCompatible:
    """One rule of [[compatible]]."""

    path: Path
    scope: str | None
    when: LooseWhat | None
    need: tuple[LooseWhat, ...]


class Loose:
    """The whole document."""

    def __init__(self, raw: Table) -> None:
        self.raw = raw
        self.kinds = table(raw.get("kind"))
        self.all_kinds = {*KINDS, *self.kinds}
        said = {kind: table(row).get("ahead") for kind, row in self.kinds.items()}
        default = {kind: facts.ahead for kind, facts in KINDS.items()}
        #: the kinds that may run ahead of everything
        self.ahead = {kind for kind in self.all_kinds if said.get(kind, default.get(kind)) is True}
        #: the kinds that the platform has no component of
        self.none = {kind for kind, row in self.kinds.items() if table(row).get("none") is True}
        listed = raw.get("families", list(FAMILIES))
        self.families = tuple(f for f in _texts(listed) if f in FAMILIES)
        self.bundles = tuple(_bundle(path, row) for path, row in rows(raw, "bundle"))
        self.releases = tuple(_release(path, row) for path, row in rows(raw, "release"))
        self.jumps = tuple(self._jump(path, row) for path, row in rows(raw, "jump"))
        self.compatible_rules = tuple(self._compatible(path, row) for path, row in rows(raw, "compatible"))
        self.known = dict.fromkeys(_texts(table(raw.get("versions")).get("known")))
        self._some: dict[str, list[str]] = {}
        self._at: dict[tuple[str | None, str], list[LooseBundle]] = {}
        for bundle in self.bundles:
            if bundle.version:
                self._at.setdefault((bundle.family, bundle.version), []).append(bundle)

    def of(self, family: str) -> list[LooseBundle]:
        """The bundles of one family."""
        return [bundle for bundle in self.bundles if bundle.family == family]

    def at(self, family: str, version: str) -> list[LooseBundle]:
        """The bundles of one family whose version is just this text, and those whose family cannot be read."""
        return self._at.get((family, version), []) + self._at.get((None, version), [])

    def some_versions(self, family: str) -> list[str]:
        """Versions of the family's bundles and known ones, as many as a hint can search."""
        if family not in self._some:
            own = [version for of, version in self._at if of == family]
            self._some[family] = own[:50] + list(self.known)[:50]
        return self._some[family]

    def whats(self) -> Iterator[LooseWhat]:
        """Every selection of every rule that could be read."""
        for jump in self.jumps:
            if jump.what:
                yield jump.what
        for compatible in self.compatible_rules:
            if compatible.when:
                yield compatible.when
            yield from compatible.need

    def half_read(self) -> Iterator[tuple[Path, str]]:
        """The ranges of rules whose own selection could not be read, so that no order of theirs is known."""
        read = {what.path for what in self.whats()}
        for path, row in rows(self.raw, "jump"):
            if (*path, "what") not in read:
                yield from (((*path, key), found) for key in ("to", "from") if (found := text(row, key)))
        for path, row in rows(self.raw, "compatible"):
            for inner, value in (((*path, "when"), table(row.get("when"))), *rows(row, "need", path)):
                found = text(value, "version")
                if inner not in read and found:
                    yield (*inner, "version"), found

    def _what(self, path: Path, value: object) -> LooseWhat | None:
        if not isinstance(value, dict) or not set(value) <= _WHAT_KEYS:
            return None
        family, kind, models, version = (value.get(key) for key in ("family", "kind", "models", "version"))
        if family is not None and family not in FAMILIES:
            return None
        if kind is not None and (not isinstance(kind, str) or kind not in self.all_kinds):
            return None
        if models is not None and not (isinstance(models, list) and all(isinstance(model, str) for model in models)):
            return None
        if version is not None and not isinstance(version, str):
            return None
        return LooseWhat(path, family, kind, None if models is None else frozenset(models), version)

    def _jump(self, path: Path, row: Table) -> LooseJump:
        what = None if "version" in table(row.get("what")) else self._what((*path, "what"), row.get("what"))
        direction = row.get("direction", "up")
        known = direction if direction in ("up", "down", "both") else None
        return LooseJump(path, what, text(row, "to"), text(row, "from"), known)

    def _compatible(self, path: Path, row: Table) -> LooseCompatible:
        needs = [self._what(inner, value) for inner, value in rows(row, "need", path)]
        when = self._what((*path, "when"), row.get("when"))
        return LooseCompatible(path, text(row, "scope"), when, tuple(need for need in needs if need))


def text(row: Table, key: str) -> str | None:
    """The text under `key`, or None where there is none, or an empty one."""
    value = row.get(key)
    return value if isinstance(value, str) and value else None


def table(value: object) -> Table:
    """`value` if it is a table, else an empty one."""
    return value if isinstance(value, dict) else {}


def rows(parent: Table, key: str, path: Path = ()) -> Iterator[tuple[Path, Table]]:
    """The tables of an array of tables, with their paths."""
    value = parent.get(key)
    for index, row in enumerate(value if isinstance(value, list) else []):
        if isinstance(row, dict):
            yield (*path, key, index), row


def items(parent: Table, key: str, path: Path = ()) -> Iterator[tuple[Path, str]]:
    """The non-empty texts of an array, with their paths."""
    value = parent.get(key)
    for index, item in enumerate(value if isinstance(value, list) else []):
        if isinstance(item, str) and item:
            yield (*path, key, index), item


def _texts(value: object) -> tuple[str, ...]:
    return tuple(item for _, item in items({"": value}, ""))


def _bundle(path: Path, row: Table) -> LooseBundle:
    images = tuple(
        LooseImage(inner, text(image, "kind"), _texts(image.get("models")), text(image, "version"))
        for inner, image in rows(row, "images", path)
    )
    family = text(row, "family")
    family = family if family in FAMILIES else None
    return LooseBundle(path, row, family, text(row, "version"), text(row, "file"), text(row, "variant"), images)


def _release(path: Path, row: Table) -> LooseRelease:
    versions: dict[str, tuple[tuple[Path, str], ...]] = {}
    for family in FAMILIES:
        value = row.get(family)
        if isinstance(value, str) and value:
            versions[family] = (((*path, family), value),)
        elif isinstance(value, list):
            versions[family] = tuple(items(row, family, path))
    return LooseRelease(path, text(row, "name"), versions)
