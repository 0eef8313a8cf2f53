"""What differs between two manifests of one platform.

Rules: a bundle is the same one by family, version, variant, base and `only`; a release by its name, a kind by its word;
a rule by what it is about (a jump also by where it leads), else it is one rule less and one more; images are compared
for each kind and model; the order in a file never matters, except where it means preference.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from bundlekeeper.model.manifest.types import Bundle, Compatible, Jump, KindRule, Manifest, Release, RuleSubject


class ManifestChangeKind(StrEnum):
    """What happened to a part of a manifest."""

    ADDED = "added"
    REMOVED = "removed"
    CHANGED = "changed"


#: A part of a manifest; None for its head, which has the keys of the file itself and of [versions].
Part = Bundle | Release | Jump | Compatible | KindRule | None


@dataclass(frozen=True, slots=True)
class ChangedKey:
    """One key, with its values as texts; None where there is none."""

    key: str
    old: str | None
    new: str | None


@dataclass(frozen=True, slots=True)
class ManifestChange:
    """One part that differs: `section` is the table's name, `subject` the part for people, `old` and `new` the part in
    each manifest; `keys` of a changed one."""

    what: ManifestChangeKind
    section: str
    subject: str
    old: Part
    new: Part
    keys: tuple[ChangedKey, ...] = ()


def changes(old: Manifest, new: Manifest) -> list[ManifestChange]:
    """Everything that differs, in the order of the manifest's tables. Raises nothing."""
    found = _head(old, new)
    found += _compared("bundle", _bundles(old), _bundles(new))
    found += _compared("kind", dict(old.kind), dict(new.kind))
    found += _compared("release", _by_name(old.release), _by_name(new.release))
    found += _compared("jump", _jumps(old.jump), _jumps(new.jump))
    return found + _compared("compatible", _compatible_rules(old.compatible), _compatible_rules(new.compatible))


def _head(old: Manifest, new: Manifest) -> list[ManifestChange]:
    def flat(manifest: Manifest) -> dict[str, str]:
        names = ("sequence", "issued", "expires", "families", "variants", "note")
        rows = {name: getattr(manifest, name) for name in names}
        rows |= {f"versions.{name}": value for name, value in manifest.versions.model_dump().items()}
        return {name: _text(value) for name, value in rows.items() if value not in (None, ())}

    keys = _keys(flat(old), flat(new))
    return [ManifestChange(ManifestChangeKind.CHANGED, "manifest", new.platform, None, None, keys)] if keys else []


def _compared(section: str, old: Mapping[Any, Part], new: Mapping[Any, Part]) -> list[ManifestChange]:
    found: list[ManifestChange] = []
    for key in dict.fromkeys((*old, *new)):
        before, after = old.get(key), new.get(key)
        part = after if after is not None else before
        subject = key if isinstance(key, str) else _called(part)
        if before is None or after is None:
            what = ManifestChangeKind.ADDED if before is None else ManifestChangeKind.REMOVED
            found.append(ManifestChange(what, section, subject, before, after))
        elif before != after and (keys := _keys(_flat(before), _flat(after))):
            found.append(ManifestChange(ManifestChangeKind.CHANGED, section, subject, before, after, keys))
    return found


def _keys(old: Mapping[str, str], new: Mapping[str, str]) -> tuple[ChangedKey, ...]:
    names = dict.fromkeys((*old, *new))
    return tuple(
        ChangedKey(name, old.get(name), new.get(name)) for name in names if old.get(name) != new.get(name)
    )  # fmt: skip


def _flat(part: Part) -> dict[str, str]:
    """The keys of a part with their values as texts; an image for each of its kinds and models."""
    if part is None:
        return {}
    rows = part.model_dump(mode="json", by_alias=True, exclude_none=True)
    images = rows.pop("images", ())
    flat = {key: _text(value) for key, value in rows.items() if value not in ([], ())}
    for image in images:
        kind, models = image.pop("kind"), image.pop("models")
        facts = image.pop("version") + "".join(f", {key} {value}" for key, value in image.items())
        flat |= {f"{kind} {model}": facts for model in models}
    return flat


def _text(value: object) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_text(inner)}" for key, inner in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(map(_text, value))
    return ("true" if value else "false") if isinstance(value, bool) else str(value)


def _called(part: Part) -> str:
    """How people name the part."""
    if isinstance(part, Bundle):
        more = [part.variant or "", f"on {part.base}" if part.base else "", ", ".join(part.only or ())]
        return " ".join(word for word in (part.family, part.version, *more) if word)
    if isinstance(part, Jump):
        return f"{_of(part.what)} to {part.to} from {part.from_}"
    if isinstance(part, Compatible):
        return f"{_of(part.when)} needs {' and '.join(map(_of, part.need))}"
    return part.name if isinstance(part, Release) else ""


def _of(subject: Any) -> str:  # noqa: ANN401  (RuleSubject or JumpWhat)
    version = subject.version if isinstance(subject, RuleSubject) else None
    words = (subject.family, subject.kind, ", ".join(subject.models or ()), version)
    return " ".join(word for word in words if word) or "everything"


def _bundles(manifest: Manifest) -> dict[Hashable, Part]:
    return {(b.family, b.version, b.variant, b.base, frozenset(b.only or ())): b for b in manifest.bundle}


def _by_name(releases: Sequence[Release]) -> dict[str, Part]:
    return {release.name: release for release in releases}


def _jumps(rules: Sequence[Jump]) -> dict[Hashable, Part]:
    return _numbered(((rule.what, rule.to, rule.direction), rule) for rule in rules)


def _compatible_rules(rules: Sequence[Compatible]) -> dict[Hashable, Part]:
    return _numbered(((rule.scope, rule.when), rule) for rule in rules)


def _numbered(rules: Iterable[tuple[Hashable, Part]]) -> dict[Hashable, Part]:
    """Rules by what they are about; of several about one thing the first of each manifest are compared, and so on."""
    found: dict[Hashable, Part] = {}
    for key, rule in rules:
        number = 0
        while (key, number) in found:
            number += 1
        found[key, number] = rule
    return found
