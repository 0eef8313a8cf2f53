"""Wherever a manifest can have several of a kind, what is wrong with the second is reported as well as with the first.

Each case spoils a good manifest in (at least) two places of one sort; both must be reported, each at its own path.
Facts of the trade in these manifests (families, builds, versions that must be beside each other) are common practice.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from bundlekeeper.model.lint.check_all import check

TODAY = date(2026, 11, 25)
Document = dict[str, Any]
Path = tuple[str | int, ...]


def image(kind: str, version: str, *models: str) -> Document:
    return {"kind": kind, "models": list(models or ("Tern-2", "Tern-4")), "version": version}


def bundle(number: int, family: str, version: str, *images: Document, **more: Any) -> Document:
    return {
        "family": family,
        "version": version,
        "file": f"{family}-{number}.bin",
        "size": 10 + number,
        "sha256": f"{number:x}" * 64,
        "digest_from": "publisher: page",
        "images": list(images),
        **more,
    }


def good() -> Document:
    """A manifest that has two of everything, and nothing against it."""
    return {
        "manifest": 1,
        "platform": "marram",
        "sequence": 1,
        "issued": date(2026, 8, 14),
        "families": ["infrastructure", "blade"],
        "versions": {"known": ["5.4.2", "5.4.3"]},
        "kind": {"tide-gauge": {"minutes": 3}, "buoy": {"minutes": 4}},
        "bundle": [
            bundle(
                1, "infrastructure", "6.0.1", image("io-module", "6.0.1", "Rush-4"), image("tide-gauge", "6.0.1", "T")
            ),
            bundle(2, "infrastructure", "6.1.0", image("io-module", "6.1.0", "Rush-4"), image("buoy", "6.1.0", "T")),
            bundle(3, "blade", "6.0.1", image("bios", "6.0.1"), image("management-controller", "6.0.1")),
            bundle(4, "blade", "6.1.0", image("bios", "6.1.0"), image("management-controller", "6.1.0")),
        ],
        "release": [
            {"name": "6.0", "infrastructure": "6.0.1", "blade": ["6.0.1"]},
            {"name": "6.1", "infrastructure": "6.1.0", "blade": ["6.1.0", "6.0.1"]},
        ],
        "jump": [
            {"what": {"family": "infrastructure"}, "to": ">=6.1", "from": ">=6.0", "source": "notes, 1"},
            {"what": {"family": "blade"}, "to": ">=6.1", "from": ">=6.0", "source": "notes, 2"},
        ],
        "compatible": [
            {
                "scope": "domain",
                "when": {"family": "infrastructure", "version": ">=6.0"},
                "need": [{"family": "blade", "version": ">=6.0"}, {"kind": "bios", "version": ">=6.0"}],
                "source": "notes, 3",
            },
            {
                "scope": "domain",
                "when": {"family": "infrastructure", "version": ">=6.1"},
                "need": [{"family": "blade", "version": ">=6.0"}, {"kind": "buoy", "version": ">=6.0"}],
                "source": "notes, 4",
            },
        ],
    }


def places_of(document: Document, code: str) -> list[Path]:
    return [p.path for p in check(document, TODAY).problems if p.code == code]


def test_the_good_manifest_is_good() -> None:
    assert check(good(), TODAY).problems == ()


def put(path: Path, value: Any) -> Callable[[Document], None]:
    """A change that sets the value at a path."""

    def change(document: Document) -> None:
        place: Any = document
        for part in path[:-1]:
            place = place[part]
        place[path[-1]] = value

    return change


def many(*changes: Callable[[Document], None]) -> Callable[[Document], None]:
    def change(document: Document) -> None:
        for each in changes:
            each(document)

    return change


def both(template: tuple[Any, ...], value: Any, places: tuple[int, int] = (0, 1)) -> Callable[[Document], None]:
    """The same value at two paths, which differ where the template has None."""
    return many(*(put(tuple(n if part is None else part for part in template), value) for n in places))


def drop(path: Path) -> Callable[[Document], None]:
    def change(document: Document) -> None:
        place: Any = document
        for part in path[:-1]:
            place = place[part]
        del place[path[-1]]

    return change


B = "bundle"
BUOYS = [
    {"kind": "buoy", "models": ["T"], "version": "6.1.0"},
    {"kind": "bios", "models": ["Tern-2"], "version": "6.1.0"},
]

CASES: dict[str, tuple[str, Callable[[Document], None], list[Path]]] = {
    # lists with an element twice
    "only": ("repeated", put((B, 2, "only"), ["bios", "management-controller", "bios"]), [(B, 2, "only", 2)]),
    "only of a bundle that has no other kind": (
        "repeated",
        many(put((B, 2, "only"), ["bios", "bios"]), put((B, 2, "images"), [image("bios", "6.0.1")])),
        [(B, 2, "only", 1)],
    ),
    "known": (
        "repeated",
        put(("versions", "known"), ["5.4.2", "5.4.3", "5.4.2", "5.4.3"]),
        [("versions", "known", 2), ("versions", "known", 3)],
    ),
    "list": (
        "repeated",
        put(("versions",), {"order": "listed", "list": ["6.0.1", "6.1.0", "6.1.0"]}),
        [("versions", "list", 2)],
    ),
    "versions of a release": (
        "repeated",
        both(("release", None, "blade"), ["6.1.0", "6.0.1", "6.1.0"]),
        [("release", 0, "blade", 2), ("release", 1, "blade", 2)],
    ),
    "models of an image": (
        "repeated",
        both((B, 3, "images", None, "models"), ["Tern-2", "Tern-2"]),
        [(B, 3, "images", 0, "models", 1), (B, 3, "images", 1, "models", 1)],
    ),
    "models of a rule": (
        "repeated",
        many(
            both(("jump", None, "what", "models"), ["Rush-4", "Tern-2", "Rush-4"]),
            put(("compatible", 0, "when", "models"), ["Rush-4", "Rush-4"]),
            both(("compatible", 1, "need", None, "models"), ["T", "Tern-2", "T"]),
        ),
        [
            ("jump", 0, "what", "models", 2),
            ("jump", 1, "what", "models", 2),
            ("compatible", 0, "when", "models", 1),
            ("compatible", 1, "need", 0, "models", 2),
            ("compatible", 1, "need", 1, "models", 2),
        ],
    ),
    # kinds
    "kinds of needs": (
        "kind-unknown",
        both(("compatible", 0, "need", None), {"kind": "dinghy", "version": ">=6"}),
        [("compatible", 0, "need", 0, "kind"), ("compatible", 0, "need", 1, "kind")],
    ),
    "kinds of whens": (
        "kind-unknown",
        both(("compatible", None, "when"), {"kind": "dinghy"}),
        [("compatible", 0, "when", "kind"), ("compatible", 1, "when", "kind")],
    ),
    "kinds of images": (
        "kind-unknown",
        both((B, 3, "images", None, "kind"), "dinghy"),
        [(B, 3, "images", 0, "kind"), (B, 3, "images", 1, "kind")],
    ),
    "kinds of jumps": (
        "kind-unknown",
        both(("jump", None, "what"), {"kind": "dinghy"}),
        [("jump", 0, "what", "kind"), ("jump", 1, "what", "kind")],
    ),
    "tables of kinds that nothing uses": (
        "kind-unused",
        many(put(("kind", "dinghy"), {"minutes": 1}), put(("kind", "raft"), {"minutes": 1})),
        [("kind", "dinghy"), ("kind", "raft")],
    ),
    "models of a kind's table": (
        "bad-value",
        put(("kind", "buoy", "models"), {"T": {"order": "natural"}, "U": {"order": "natural"}}),
        [("kind", "buoy", "models", "T", "order"), ("kind", "buoy", "models", "U", "order")],
    ),
    "orders of kinds": (
        "order-listless",
        many(put(("kind", "buoy", "order"), "listed"), put(("kind", "tide-gauge", "order"), "listed")),
        [("kind", "tide-gauge", "order"), ("kind", "buoy", "order")],
    ),
    # families
    "releases of an unlisted family": (
        "family-unlisted",
        both(("release", None, "rack"), "6.1.0"),
        [("release", 0, "rack"), ("release", 1, "rack")],
    ),
    "empty families": (
        "family-empty",
        many(put(("families",), ["infrastructure", "rack", "blade"]), lambda d: d[B].__delitem__(slice(2, 4))),
        [("families", 1), ("families", 2)],
    ),
    # bundles
    "empty files": ("digest-empty", both((B, None, "size"), 0), [(B, 0, "size"), (B, 1, "size")]),
    "unsourced digests": (
        "digest-unsourced",
        many(drop((B, 0, "digest_from")), drop((B, 1, "digest_from"))),
        [(B, 0), (B, 1)],
    ),
    "forms of digests": ("digest-length", both((B, None, "sha256"), "ab"), [(B, 0, "sha256"), (B, 1, "sha256")]),
    "three bundles of one digest": (
        "digest-shared",
        many(both((B, None, "sha256"), "a" * 64), put((B, 2, "sha256"), "A" * 64)),
        [(B, 1, "sha256"), (B, 2, "sha256")],
    ),
    "signatures' files": (
        "name-unsafe",
        both((B, None, "signature"), {"file": "CON.sig", "form": "sshsig", "key": "k"}),
        [(B, 0, "signature", "file"), (B, 1, "signature", "file")],
    ),
    "one name's two faults": ("name-unsafe", put((B, 0, "file"), "a*b."), [(B, 0, "file"), (B, 0, "file")]),
    "three files of one name": (
        "name-twice",
        many(both((B, None, "file"), "a.bin"), put((B, 2, "file"), "a.bin")),
        [(B, 1, "file"), (B, 2, "file")],
    ),
    "three bundles of one version": (
        "bundle-twice",
        lambda d: d[B].extend([{**d[B][0], "file": "x.bin"}, {**d[B][0], "file": "y.bin"}]),
        [(B, 4, "version"), (B, 5, "version")],
    ),
    "the second model of an image": (
        "image-twice",
        many(put((B, 3, "images"), [image("bios", "6.1.0", "Tern-4"), image("bios", "6.1.0", "Tern-2", "Tern-4")])),
        [(B, 3, "images", 1)],
    ),
    "kinds in only": (
        "only-differs",
        put((B, 3, "only"), ["bios", "management-controller", "disk", "io-module"]),
        [(B, 3, "only", 2), (B, 3, "only", 3)],
    ),
    "images beside only": (
        "only-differs",
        many(put((B, 3, "images"), [image("disk", "6.1.0"), image("bios", "6.1.0")]), put((B, 3, "only"), ["buoy"])),
        [(B, 3, "only", 0), (B, 3, "images", 0, "kind"), (B, 3, "images", 1, "kind")],
    ),
    "withdrawals": ("reason-missing", both((B, None, "lifecycle"), "withdrawn"), [(B, 0), (B, 1)]),
    "variants": (
        "variant-misplaced",
        many(*(put((B, n, "variant"), "alone") for n in range(4))),
        [(B, n, "variant") for n in range(4)],
    ),
    "bundles without a variant": (
        "variant-missing",
        many(put(("variants",), ["alone"]), put((B, 1, "variant"), "alone"), put((B, 3, "variant"), "alone")),
        [(B, 0), (B, 2)],
    ),
    "bases": ("base-unknown", both((B, None, "base"), "4.0"), [(B, 0, "base"), (B, 1, "base")]),
    "days": (
        "date-early",
        both((B, None, "released"), date(1970, 1, 1)),
        [(B, 0, "released"), (B, 1, "released")],
    ),
    # versions and ranges
    "versions of images": (
        "version-unplaced",
        both((B, 3, "images", None, "version"), "new"),
        [(B, 3, "images", 0, "version"), (B, 3, "images", 1, "version")],
    ),
    "known versions": (
        "version-unplaced",
        put(("versions", "known"), ["old", "older"]),
        [("versions", "known", 0), ("versions", "known", 1)],
    ),
    "three equal versions": (
        "versions-equal",
        lambda d: d[B].extend([{**d[B][1], "version": v, "file": f"x-{v}", "images": []} for v in ("6.1", "6.1.0.0")]),
        [(B, 4, "version"), (B, 5, "version")],
    ),
    "ranges of jumps": ("range-unmatched", both(("jump", None, "to"), ">=9"), [("jump", 0, "to"), ("jump", 1, "to")]),
    "ranges of one jump": (
        "range-unmatched",
        many(put(("jump", 1, "to"), ">=9"), put(("jump", 1, "from"), "<1")),
        [("jump", 1, "to"), ("jump", 1, "from")],
    ),
    "ranges of needs": (
        "range-unmatched",
        both(("compatible", 0, "need", None, "version"), ">=9"),
        [("compatible", 0, "need", 0, "version"), ("compatible", 0, "need", 1, "version")],
    ),
    "ranges of whens": (
        "range-unmatched",
        both(("compatible", None, "when", "version"), ">=9"),
        [("compatible", 0, "when", "version"), ("compatible", 1, "when", "version")],
    ),
    "ranges of needs that cannot be read": (
        "range-unreadable",
        both(("compatible", 0, "need", None), {"family": "dinghy", "version": "=>6"}),
        [("compatible", 0, "need", 0, "version"), ("compatible", 0, "need", 1, "version")],
    ),
    "ranges of jumps whose what cannot be read": (
        "range-unreadable",
        many(both(("jump", None, "what"), {"family": "dinghy"}), both(("jump", None, "to"), "=>6")),
        [("jump", 0, "to"), ("jump", 1, "to")],
    ),
    # releases
    "two names taken": (
        "release-twice",
        lambda d: d["release"].extend([d["release"][0], d["release"][0]]),
        [("release", 2, "name"), ("release", 3, "name")],
    ),
    "versions that are no bundles, by release": (
        "release-version",
        both(("release", None, "infrastructure"), "7.7"),
        [("release", 0, "infrastructure"), ("release", 1, "infrastructure")],
    ),
    "versions that are no bundles, in one list": (
        "release-version",
        put(("release", 1, "blade"), ["7.7", "7.8"]),
        [("release", 1, "blade", 0), ("release", 1, "blade", 1)],
    ),
    "families that a release lacks": (
        "release-incomplete",
        put(("release", 1), {"name": "6.1"}),
        [("release", 1), ("release", 1)],
    ),
    "what the second rule forbids": (
        "release-refused",
        put(("compatible", 1, "need", 0, "version"), ">6.1.0"),
        [("release", 1, "blade", 0), ("release", 1, "blade", 1)],
    ),
    "what the second need forbids": (
        "release-refused",
        put(("compatible", 0, "need", 1), {"family": "blade", "kind": "bios", "version": "<6.0"}),
        [("release", 0, "blade", 0), ("release", 1, "blade", 0), ("release", 1, "blade", 1)],
    ),
    # rules
    "needs that demand nothing": (
        "need-open",
        both(("compatible", 0, "need", None), {"family": "blade"}),
        [("compatible", 0, "need", 0), ("compatible", 0, "need", 1)],
    ),
    "needs that their own rule forbids": (
        "rule-forbids-itself",
        both(("compatible", 0, "need", None), {"family": "infrastructure", "version": "<6.0"}),
        [("compatible", 0, "need", 0, "version"), ("compatible", 0, "need", 1, "version")],
    ),
    "rules that forbid themselves": (
        "rule-forbids-itself",
        both(("compatible", None, "need", 1), {"family": "infrastructure", "version": "<6.0"}),
        [("compatible", 0, "need", 1, "version"), ("compatible", 1, "need", 1, "version")],
    ),
    "jumps that go back": (
        "jump-backwards",
        many(both(("jump", None, "to"), "<6.1"), both(("jump", None, "from"), ">=6.1")),
        [("jump", 0, "from"), ("jump", 1, "from")],
    ),
    "a third jump that contradicts the first": (
        "rules-contradict",
        lambda d: d["jump"].append({**d["jump"][0], "from": "<6.0"}),
        [("jump", 2, "from")],
    ),
    "a third rule that contradicts the first": (
        "rules-contradict",
        lambda d: d["compatible"].append({**d["compatible"][0], "need": [{"family": "blade", "version": "<6.0"}]}),
        [("compatible", 2, "need", 0, "version"), ("compatible", 2, "need", 0, "version")],
    ),
    "a second need that contradicts a second need": (
        "rules-contradict",
        put(("compatible", 1, "need", 1), {"kind": "bios", "version": "<6.0"}),
        [("compatible", 1, "need", 1, "version")],
    ),
    "rules without a source": (
        "source-missing",
        many(*(drop((key, n, "source")) for key in ("jump", "compatible") for n in (0, 1))),
        [("jump", 0), ("jump", 1), ("compatible", 0), ("compatible", 1)],
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_the_second_is_reported_as_well_as_the_first(case: str) -> None:
    code, change, paths = CASES[case]
    document = good()
    change(document)
    assert places_of(document, code) == paths
