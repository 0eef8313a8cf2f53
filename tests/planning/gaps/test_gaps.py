"""Gaps by example: every code raised in the Marram world, and by itself; what each says, quotes and counts."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.findings import CODES, Level, finding
from bundlekeeper.model.inventory.types import Component, Inventory, Partition, Policy
from bundlekeeper.model.manifest.types import Manifest, Signature
from bundlekeeper.planning.fleet.stock import Holdings, SignatureState, StoredFile
from bundlekeeper.planning.gaps import report as gap_report
from bundlekeeper.planning.gaps.find import Fleet, GapAnswer, gaps, gaps_all, gaps_of
from bundlekeeper.planning.gaps.report import SEVERITY, Gap, GapReport
from bundlekeeper.planning.gaps.space import space_of
from tests.kits.planning_kit import (
    NOW,
    PROVEN,
    blade,
    bundle,
    image,
    inventory,
    manifest,
    marram,
    pair,
    stored_all,
    whole_domain,
)
from tests.kits.sure import some


@dataclass(frozen=True)
class _World:
    """A question with everything that it needs; by itself all of it is known and good."""

    manifest: Manifest
    inventory: Inventory
    holdings: Holdings
    release: str = "6.1"

    def report(self) -> GapReport:
        answer = GapAnswer(drivers="I. Ferro, list of 2026-11-20")
        return gaps("holm-a", self.release, self.manifest, self.inventory, self.holdings, NOW, answer)

    def components(self, change: Callable[[Component], dict[str, Any]]) -> _World:
        """The world with every component changed as `change` says."""
        rows = tuple(replace(p, **change(p)) for p in self.inventory.components)
        return replace(self, inventory=replace(self.inventory, components=rows))

    def rooms(self, **more: Any) -> _World:
        """The world with the leading switch's partition changed."""
        rows = list(self.inventory.partitions)
        rows[0] = replace(rows[0], **more)
        return replace(self, inventory=replace(self.inventory, partitions=tuple(rows)))

    def policy(self, **more: Any) -> _World:
        """The world with its policy changed."""
        rows = (replace(self.inventory.policies[0], **more),)
        return replace(self, inventory=replace(self.inventory, policies=rows))

    def bundle(self, file: str, **more: Any) -> _World:
        """The world with one bundle of the manifest changed."""
        rows = tuple(b.model_copy(update=more) if b.file == file else b for b in self.manifest.bundle)
        return replace(self, manifest=self.manifest.model_copy(update={"bundle": rows}))

    def rules(self, **more: Any) -> _World:
        """The world with parts of the manifest changed."""
        return replace(self, manifest=Manifest.model_validate({**self.manifest.model_dump(by_alias=True), **more}))

    def file(self, **more: Any) -> _World:
        """The world with the infrastructure bundle's file in the store changed."""
        rows = [self.holdings.stored(b.sha256) for b in self.manifest.bundle]
        changed = [replace(f, **more) if (f.family, f.version) == ("infrastructure", "6.1.0") else f for f in rows if f]
        limits: dict[str, Any] = {"max_verification_age_s": self.holdings.max_verification_age_s}
        return replace(self, holdings=Holdings(changed, signed_families=self.holdings.signed_families, **limits))


def _good(blades: int = 1, racks: int = 0) -> _World:
    known = marram().model_copy(update={"expires": date(2027, 2, 14)})
    store = stored_all(known, signed_families=("infrastructure",), max_verification_age_s=90 * 86400)
    return _World(known, whole_domain(blades=blades, racks=racks), store)


def _counting(report: GapReport) -> list[Gap]:
    return [gap for gap in report.gaps if gap.finding.level is not Level.NOTE]


def _hints(world: _World) -> dict[str, str]:
    """The hint of each check that could not be made."""
    return {
        str(gap.evidence.get("check")): gap.finding.hint for gap in world.report().gaps if gap.code == "not-checked"
    }


def test_a_hint_names_what_is_missing_and_where_it_goes() -> None:
    """Not what is there: a listed partition is not to be listed, a release that names a family not to name it."""
    sizes = _good().bundle(_INFRA, images=_sizeless())
    assert _hints(sizes)["space"] == "add to the manifest the working of image 6.1.0"
    assert _hints(_good().rooms(free_bytes=None))["space"] == "list its free_bytes under [[partition]]"
    full = _good().rooms(free_bytes=10).components(_set(_is("fabric-switch", "leading"), pending=None))
    assert _hints(full)["removal"] == "list its pending in the inventory, - where there is none"
    lists = _good()
    rows = tuple(p for p in lists.inventory.components if p.kind != "model-list")
    hint = _hints(replace(lists, inventory=replace(lists.inventory, components=rows)))["model list"]
    assert "[kind.model-list] none = true" in hint
    missing = _good().rules(release=({"name": "6.1", "infrastructure": "6.1.0", "blade": "9.9", "rack": "6.1.0"},))
    (gap,) = [gap for gap in missing.report().gaps if gap.code == "family-missing"]
    assert gap.finding.hint.startswith("add the bundle of blade 9.9 to the manifest")


def test_a_jump_whose_direction_is_not_known_is_counted_once() -> None:
    """A rule about bundles lets it go, and the place of its image in the order is not known."""
    jump = {"what": {"family": "infrastructure"}, "to": ">=6.0", "from": ">=6.0", "source": "notes"}
    worlds = [
        _good().rules(jump=(jump,), kind=kinds)
        for kinds in ({}, {"io-module": {"order": "listed", "list": ("6.1.0",)}})
    ]
    (made, none), (fewer, two) = (world.report().checks["jump"] for world in worlds)
    assert (made - fewer, none, two) == (2, 0, 2)


def test_what_is_known_and_good_has_no_gap() -> None:
    """ok only where every check that could matter was made."""
    report = _good().report()
    assert _counting(report) == [] and report.ok
    assert report.checks_made > 50
    assert {name for name, (_, lacking) in report.checks.items() if lacking} == {"bank"}  # told as a note


def test_a_policy_that_waits_for_a_restart_is_no_gap() -> None:
    for applies in ("on-reset", "in-maintenance-window-on-reset", "on-start-update-request"):
        assert _counting(_good().policy(applies=applies).report()) == []


def _is(kind: str, half: str | None = None) -> Callable[[Component], bool]:
    return lambda p: p.kind == kind and half in (None, p.half)


def _set(which: Callable[[Component], bool], **more: Any) -> Callable[[Component], dict[str, Any]]:
    return lambda p: more if which(p) else {}


_INFRA = "marram-infrastructure-6.1.0.bin"
_OTHERS = Policy("gold", {"blade": "6.1.0"}, "on-start-update-request", ("holm-a", "holm-b"))


def _without(world: _World, *versions: str) -> Holdings:
    rows = (f for b in world.manifest.bundle if b.version not in versions and (f := world.holdings.stored(b.sha256)))
    return Holdings(rows)


def _other_variant(*also: str) -> _World:
    world = _good(blades=0, racks=1)
    other = {
        **world.manifest.of("rack")[-1].model_dump(),
        "variant": "single-servers",
        "sha256": "ab" * 32,
        "file": "x.bin",
    }
    bundles = [*(b.model_dump() for b in world.manifest.bundle), other]
    world = world.rules(bundle=bundles)
    stored = [f for b in world.manifest.bundle if (f := world.holdings.stored(b.sha256))]
    rows = [f for f in stored if f.family != "rack" or f.version in also]
    return replace(world, holdings=Holdings([StoredFile("ab" * 32, "rack", "6.1.0"), *rows]))


def _shared() -> _World:
    world = _good()
    away = blade("4", "6.0.1", domain="holm-b")
    components = (*world.inventory.components, *away)
    return replace(world, inventory=replace(world.inventory, components=components, policies=(_OTHERS,)))


def _going_down() -> _World:
    world = replace(_good(), inventory=whole_domain("6.1.0", blades=1, racks=0), release="6.0")
    return replace(world, holdings=stored_all(world.manifest)).policy(versions={"blade": "6.0.1"})


_KINDS = {"model-list": {"order": "listed", "list": ("2025-1", "2025-2", "2026-1", "2026-2", "2026-3")}}


def _table_rule(version: str) -> dict[str, Any]:
    when = {"family": "blade", "models": ("Tern-2",)}
    need = ({"kind": "model-list", "version": version},)
    return {"compatible": ({"scope": "domain", "when": when, "need": need, "source": "release notes 6.1, table 9"},)}


def _new_model() -> _World:
    """A blade that only the newest bundle lists: the table of 6.0 came before it."""
    world = _good()
    rows = []
    for b in world.manifest.model_dump()["bundle"]:
        if b["family"] == "blade" and b["version"] == "6.1.0":
            b["images"] = [{**i, "models": ("Tern-2", "Tern-8")} for i in b["images"]]
        rows.append(b)
    return world.rules(bundle=rows).components(lambda p: {"model": "Tern-8", "active": "6.1.0"} if p.parent else {})


def _lists(second: bool, *, release: bool) -> list[str]:
    """Whether Tern-4, which came with 2.0, is known: its infrastructure bundle has a list of its own, or not, and a
    release names it, or not."""
    rows = []
    for v, lists in (("1.0", "t1"), ("2.0", "t2" if second else ""), ("3.0", "t3")):
        own = [image("model-list", "Reed-40", lists)] if lists else []
        rows.append(bundle("infrastructure", v, image("fabric-switch", "Reed-40", v), *own))
        rows.append(bundle("blade", v, image("bios", "Tern-2" if v == "1.0" else ("Tern-2", "Tern-4"), v)))
    names = [v for v in ("1.0", "2.0", "3.0") if release or v != "2.0"]
    releases = [{"name": v, "infrastructure": v, "blade": v} for v in names]
    rules = manifest(
        *rows, release=tuple(releases), kind={"model-list": {"order": "listed", "list": ("t1", "t2", "t3")}}
    )
    runs = {"model-list": "t2" if second else "t1", "bios": "2.0", "fabric-switch": "2.0"}
    domain = whole_domain("6.0.1", blades=1, racks=0)
    components = [replace(p, active=runs[p.kind]) for p in domain.components if p.kind in runs]
    components = [replace(p, model="Tern-4") if p.kind == "bios" else p for p in components]
    report = gaps("holm-a", "3.0", rules, replace(domain, components=tuple(components)), stored_all(rules), NOW)
    return [gap.finding.message for gap in report.gaps if gap.code == "model-unlisted"]


def test_what_runs_as_the_release_notes_shipped_it_is_no_unlisted_model() -> None:
    """A release whose infrastructure leaves the list as it is came with the one before; and bundles of one version
    were tested together, whether or not a release names them."""
    assert [_lists(second, release=True) for second in (True, False)] == [[], []]
    assert [_lists(second, release=False) for second in (True, False)] == [[], []]


def _sizeless() -> tuple[Any, ...]:
    images = next(b.images for b in marram().bundle if b.file == _INFRA)
    return tuple(i.model_copy(update={"working": None}) if i.kind == "domain-manager" else i for i in images)


def _only_other_variant() -> _World:
    """Every rack bundle of the manifest is of the variant that the domain does not take."""
    world = _good(blades=0, racks=1)
    rows = [b.model_dump() for b in world.manifest.bundle]
    return world.rules(bundle=[{**b, "variant": "single-servers"} if b["family"] == "rack" else b for b in rows])


_ALIKE: dict[str, Any] = {
    "scope": "domain",
    "when": {"family": "infrastructure", "version": ">=6.1"},
    "need": ({"family": "blade", "version": ">=6.1"}, {"family": "infrastructure", "version": ">=6.1"}),
    "source": "release notes 6.1, table 5",
}


def _ahead(kind: str = "model-list", **rule: Any) -> list[str]:
    """What is refused at 6.0.1 where one kind alone runs 6.1.0's image, and a rule about families speaks."""
    world = _good().rules(compatible=(_ALIKE,), kind={**_KINDS, kind: {**_KINDS.get(kind, {}), **rule}})
    newer = "2026-2" if kind == "model-list" else "6.1.0"
    world = world.components(_set(_is(kind), active=newer))
    return [g.finding.message for g in world.report().gaps if g.code == "mix-refused" and "today" in g.finding.message]


def test_a_rule_about_a_family_never_reaches_what_may_run_ahead() -> None:
    """A small image that gives the manager the list of models is brought up first, at no risk (common practice)."""
    assert _ahead() == []
    assert _ahead(ahead=False) != []  # a manifest may take it away
    assert _ahead("chassis-controller") != []
    assert _ahead("chassis-controller", ahead=True) == []  # and say it of others
    named = {**_ALIKE, "when": {"kind": "model-list", "version": ">=2026-2"}, "need": _ALIKE["need"][:1]}
    world = _good().rules(compatible=(named,), kind=_KINDS).components(_set(_is("model-list"), active="2026-2"))
    assert [g.code for g in world.report().gaps if "today" in g.finding.message] == [
        "mix-refused"
    ]  # a rule that names it


def test_what_may_run_ahead_goes_up_without_a_rule_and_never_down() -> None:
    world = _good().rules(jump=({"what": {"kind": "bios"}, "to": ">=5", "from": ">=5", "source": "notes"},))
    unstated = [g for g in world.report().gaps if g.code == "jump-unstated"]
    assert unstated
    assert not any("MT" in key for gap in unstated for key in gap.things)
    world = _good().components(_set(_is("model-list"), active="2026-3")).rules(kind=_KINDS)
    assert not any("MT" in key for g in world.report().gaps for key in g.things if g.code == "downgrade")


def test_a_manager_on_a_host_of_its_own_has_no_pair_unless_one_is_named() -> None:
    """It has a serial and no parent; where another of its kind names a pair, it may be the other half."""
    manager = _is("domain-manager", "following")

    def messages(*worlds: _World) -> list[list[str]]:
        return [[g.finding.message for g in w.report().gaps if g.evidence.get("check") == "pair"] for w in worlds]

    world = _good()
    alone = tuple(p for p in world.inventory.components if not manager(p))
    world = replace(world, inventory=replace(world.inventory, components=alone))
    lone = world.components(_set(_is("domain-manager"), pair=None, half=None))
    inside = world.components(_set(_is("domain-manager"), pair=None, half=None, parent="SW1"))
    half = _good().components(_set(manager, pair=None, half=None))
    none, some_, others = messages(lone, inside, half)
    assert none == []
    assert some_ == ["whether another component takes over while it restarts (not known: its pair)"]
    assert len(others) == 2  # its own pair, and the other half of the pair that is named


def _imageless() -> _World:
    """A first draft of a manifest: bundles, and nothing about what is in them."""
    world = _good()
    return world.rules(bundle=[{**b.model_dump(), "images": ()} for b in world.manifest.bundle])


def _baseless() -> _World:
    """The release is a patch, and its base is named under `known` only."""
    patched = ({"name": "6.1", "infrastructure": "6.1.0-p2", "blade": "6.1.0"},)
    rows = [b.model_dump() for b in marram().bundle if b.file != _INFRA]
    versions = {"order": "natural", "known": ("5.4.3", "6.0.0", "6.1.0")}
    world = _good().rules(bundle=rows, release=patched, versions=versions)
    return replace(
        world, holdings=Holdings(f for b in world.manifest.bundle if (f := _good().holdings.stored(b.sha256)))
    )


def _without_table() -> _World:
    rows = tuple(p for p in _good().inventory.components if p.kind != "model-list")
    return replace(_good(), inventory=replace(_good().inventory, components=rows))


def _stays_withdrawn() -> _World:
    """The model list stays ahead, and the file that brought it was withdrawn."""
    rows = [b.model_dump() for b in _good().manifest.bundle]
    for b in rows:
        if b["version"] == "6.1.0-t3":
            b |= {"lifecycle": "withdrawn", "reason": "notice 9"}
    return _good().rules(bundle=rows).components(_set(_is("model-list"), active="2026-3"))


def _own_kind(*, in_server: bool = False) -> _World:
    """A probe: bundles list it, and nothing says how it takes its image, and who brings it there."""
    world = _good()
    rows = [b.model_dump() for b in world.manifest.bundle]
    for b in rows:
        if b["family"] == ("blade" if in_server else "infrastructure") and b["version"] in ("6.0.1", "6.1.0"):
            b["images"] = (*b["images"], image("probe", "MP-1", b["version"]))
    probe = Component("probe", "holm", "holm-a", "1", model="MP-1", serial="PROBE", active="6.0.1", pair="")
    if in_server:
        probe = replace(probe, slot="1", parent="SRV-holm-a-1-1", policy="gold")
    components = (*world.inventory.components, probe)
    kinds = {**_KINDS, "probe": {"note": "measures the air"}}
    world = world.rules(bundle=rows, kind=kinds)
    return replace(world, inventory=replace(world.inventory, components=components))


def _listed_by_text() -> _World:
    """The blade's BIOS of 6.0.1 is called `golden`: its bundle lists that very text, and the order cannot place it."""
    rows = [b.model_dump() for b in _good().manifest.bundle]
    for b in rows:
        if (b["family"], b["version"]) == ("blade", "6.0.1"):
            b["images"] = [{**i, "version": "golden"} if i["kind"] == "bios" else i for i in b["images"]]
    return _good().rules(bundle=rows).components(_set(_is("bios"), active="golden"))


#: What is done to the good world, and the codes (levels) that it must bring, and no others.
_KEYS = ("revoked-key", "removed-key", "expired-key", "unknown-key")
CASES: dict[str, tuple[Callable[[], _World], dict[str, Level]]] = {
    "not held": (lambda: _good().bundle(_INFRA, sha256="cd" * 32), {"not-in-store": Level.ERROR}),
    "not verified": (lambda: _good().file(verified=False), {"unverified": Level.WARNING}),
    "verified too long ago": (
        lambda: _good().file(verified_at=PROVEN - timedelta(days=100)),
        {"stale-verification": Level.WARNING},
    ),
    "no time of verification": (lambda: _good().file(verified_at=None), {"not-checked": Level.WARNING}),
    "verified in the future": (
        lambda: _good().file(verified_at=NOW + timedelta(days=1)),
        {"not-checked": Level.WARNING},
    ),
    "unsigned": (lambda: _good().file(signature=SignatureState.ABSENT), {"unsigned": Level.ERROR}),
    "signature not named": (lambda: _good().bundle(_INFRA, signature=None), {"unsigned": Level.ERROR}),
    "keys that do not count": (
        lambda: _good().file(signature=SignatureState.ABSENT, against=tuple(finding(c, "x", "y", "z") for c in _KEYS)),
        dict.fromkeys(_KEYS, Level.ERROR),
    ),
    "signature not good": (lambda: _good().file(signature=SignatureState.BAD), {"bad-signature": Level.ERROR}),
    "signature not looked at": (
        lambda: _good().file(signature=SignatureState.UNKNOWN),
        {"not-checked": Level.WARNING},
    ),
    "withdrawn": (lambda: _good().rules(bundle=_withdrawn()), {"withdrawn": Level.ERROR}),
    "stays at what was withdrawn": (_stays_withdrawn, {"withdrawn": Level.WARNING}),
    "own digest": (lambda: _good().bundle(_INFRA, digest_from="own copy"), {"self-digest": Level.WARNING}),
    "digest from nowhere": (lambda: _good().bundle(_INFRA, digest_from=None), {"not-checked": Level.WARNING}),
    "expired": (
        lambda: replace(_good(), manifest=_good().manifest.model_copy(update={"expires": date(2026, 11, 24)})),
        {"expired": Level.WARNING},
    ),
    "no expiry date": (
        lambda: replace(_good(), manifest=_good().manifest.model_copy(update={"expires": None})),
        {"not-checked": Level.WARNING},
    ),
    "variant of a bundle not known": (
        lambda: _good(blades=0, racks=1).bundle("marram-rack-6.1.0.bin", variant=None),
        {"not-checked": Level.WARNING},
    ),
    "only the wrong variant exists": (
        _only_other_variant,
        {"wrong-variant": Level.ERROR, "version-unknown": Level.WARNING, "not-checked": Level.WARNING},
    ),
    "a patch onto what is no bundle": (_baseless, {"not-checked": Level.WARNING}),
    "no image is listed anywhere": (
        _imageless,
        {"version-unknown": Level.WARNING, "not-checked": Level.WARNING},
    ),
    "nothing says which variant": (
        lambda: _good(blades=0, racks=1).components(_set(_is("domain-manager"), variant=None)),
        {"not-checked": Level.WARNING},
    ),
    "family forgotten": (
        lambda: _good().rules(release=({"name": "6.1", "infrastructure": "6.1.0", "rack": "6.1.0"},)),
        {"family-missing": Level.ERROR},
    ),
    "wrong variant": (_other_variant, {"wrong-variant": Level.ERROR, "not-in-store": Level.ERROR}),
    "wrong variant, and the older one is held": (
        lambda: _other_variant("6.0.1"),
        {"wrong-variant": Level.WARNING, "policy-differs": Level.WARNING},
    ),
    "unknown model": (
        lambda: _good().components(_set(_is("network-adapter"), model="NA-9")),
        {"model-unsupported": Level.ERROR, "version-unknown": Level.WARNING, "not-checked": Level.WARNING},
    ),
    "table too old by a rule": (
        lambda: _good().rules(**_table_rule(">=2026-2")),
        {"model-unlisted": Level.WARNING},
    ),
    "table too old even then": (lambda: _good().rules(**_table_rule(">=2026-3")), {"model-unlisted": Level.ERROR}),
    "table too old for a new model": (_new_model, {"model-unlisted": Level.WARNING}),
    "jump refused": (
        lambda: replace(_good(), inventory=whole_domain("5.4.10", blades=1, racks=0)),
        {"jump-refused": Level.ERROR},
    ),
    "jump unstated": (lambda: _good().rules(jump=()), {"jump-unstated": Level.WARNING}),
    "down without a rule": (
        _going_down,
        {"jump-refused": Level.ERROR, "downgrade": Level.ERROR},
    ),
    "mix refused": (
        lambda: _good().components(lambda p: {"active": "5.4.10"} if p.parent else {}).rules(compatible=_stricter()),
        {"mix-refused": Level.ERROR},
    ),
    "mix not known": (
        lambda: _good().components(lambda p: {"active": None} if p.parent else {}).rules(compatible=_stricter()),
        {"version-unknown": Level.WARNING, "not-checked": Level.WARNING},
    ),
    "no place in the order": (
        lambda: _good().components(_set(_is("io-module", "leading"), active="golden")),
        {"version-unordered": Level.WARNING, "component-differs": Level.WARNING, "not-checked": Level.WARNING},
    ),
    "matches no bundle": (
        lambda: _good().components(_set(_is("io-module"), active="6.0.0")),
        {"version-unknown": Level.WARNING, "not-checked": Level.WARNING},
    ),
    "version not known": (
        lambda: _good().components(_set(_is("io-module"), active=None)),
        {"version-unknown": Level.WARNING, "not-checked": Level.WARNING},
    ),
    "mixed server": (
        lambda: _good().components(_set(_is("bios"), active="5.4.10")),
        {"mixed-server": Level.WARNING},
    ),
    "replaced component": (
        lambda: _good().components(_set(_is("chassis-controller", "following"), active="6.1.0")),
        {"component-differs": Level.WARNING},
    ),
    "a pair over two chassis": (
        lambda: _good().components(_set(_is("io-module", "following"), chassis="2")),
        {"pair-unhealthy": Level.ERROR},
    ),
    "a pair of which one chassis is not known": (
        lambda: _good().components(_set(_is("io-module", "following"), chassis=None)),
        {"not-checked": Level.WARNING},
    ),
    "no policy": (
        lambda: _good().components(lambda p: {"policy": ""} if p.parent else {}),
        {"no-policy": Level.WARNING},
    ),
    "policy not known": (
        lambda: _good().components(lambda p: {"policy": None} if p.parent else {}),
        {"not-checked": Level.WARNING},
    ),
    "policy nobody told of": (
        lambda: replace(_good(), inventory=replace(_good().inventory, policies=())),
        {"not-checked": Level.WARNING},
    ),
    "policy for another version": (
        lambda: _good().policy(versions={"blade": "6.0.1"}),
        {"policy-differs": Level.WARNING},
    ),
    "policy for another image": (
        lambda: _good().policy(versions={"blade": "6.1.0", "bios": "6.0.1"}),
        {"policy-differs": Level.WARNING},
    ),
    "policy for an older version than runs": (
        lambda: _good().policy(versions={"blade": "5.4.10"}),
        {"downgrade": Level.WARNING},
    ),
    "policy for an older image than runs": (
        lambda: _good().policy(versions={"blade": "6.1.0", "bios": "5.4.10"}),
        {"downgrade": Level.WARNING},
    ),
    "policy for an older version that applies immediately": (
        lambda: _good().policy(versions={"blade": "5.4.10"}, applies="immediate"),
        {"downgrade": Level.ERROR, "policy-immediate": Level.WARNING},
    ),
    "policy for an older version, and when it applies is not known": (
        lambda: _good().policy(versions={"blade": "5.4.10"}, applies=None),
        {"downgrade": Level.ERROR, "not-checked": Level.WARNING},
    ),
    "policy for nothing": (lambda: _good().policy(versions={}), {"policy-differs": Level.WARNING}),
    "policy that applies immediately": (
        lambda: _good().policy(applies="immediate"),
        {"policy-immediate": Level.WARNING},
    ),
    "policy that applies when a window starts": (
        lambda: _good().policy(applies="at-maintenance-window-start"),
        {"policy-immediate": Level.WARNING},
    ),
    "policy shared": (_shared, {"policy-shared": Level.WARNING}),
    "pair not healthy": (
        lambda: _good().components(_set(_is("domain-manager", "following"), healthy=False)),
        {"pair-unhealthy": Level.ERROR},
    ),
    "staged at another version": (
        lambda: _good().components(_set(_is("io-module", "following"), staged="5.4.10")),
        {"not-activated": Level.WARNING},
    ),
    "a server's component that is not well": (
        lambda: _good().components(_set(_is("bios"), healthy=False)),
        {"pair-unhealthy": Level.WARNING},
    ),
    "two leads": (
        lambda: _good().components(_set(_is("fabric-switch"), half="leading")),
        {"pair-unhealthy": Level.ERROR},
    ),
    "lead not known": (
        lambda: _good().components(_set(_is("domain-manager", "leading"), half=None)),
        {"not-checked": Level.WARNING},
    ),
    "health not known": (
        lambda: _good().components(_set(_is("io-module"), healthy=None)),
        {"not-checked": Level.WARNING},
    ),
    "pair not known": (
        lambda: _good().components(_set(_is("chassis-controller"), pair=None)),
        {"not-checked": Level.WARNING},
    ),
    "no pair": (
        lambda: _good().components(_set(_is("io-module", "leading"), pair="", half=None)),
        {"pair-unhealthy": Level.WARNING, "not-checked": Level.WARNING},  # and the other half's pair has one half
    ),
    "running file gone": (
        lambda: _good().components(_set(_is("fabric-switch", "leading"), boot_files=("5.4.10",))),
        {"no-way-back": Level.WARNING},
    ),
    "older bundle gone": (
        lambda: replace(_good(), holdings=_signed(_without(_good(), "6.0.1"), _good())),
        {"no-way-back": Level.WARNING},
    ),
    "no way back by nature": (
        lambda: _good().rules(kind={"bios": {"back": "none"}, **_KINDS}),
        {"no-way-back": Level.WARNING},
    ),
    "short of room": (lambda: _good().rooms(free_bytes=100), {"not-enough-space": Level.ERROR}),
    "room after a removal": (lambda: _good().rooms(free_bytes=639_999), {"not-enough-space": Level.WARNING}),
    "partitions not listed": (
        lambda: replace(_good(), inventory=replace(_good().inventory, partitions=())),
        {"not-checked": Level.WARNING},
    ),
    "an image's sizes not known": (
        lambda: _good().bundle(_INFRA, images=_sizeless()),
        {"not-checked": Level.WARNING},
    ),
    "a bundle's images not known": (lambda: _good().bundle(_INFRA, images=()), {"not-checked": Level.WARNING}),
    "a kind that nobody describes": (_own_kind, {"not-checked": Level.WARNING}),
    "a server's kind that nobody describes": (
        lambda: _own_kind(in_server=True),
        {"not-checked": Level.WARNING},
    ),
    "no model list listed": (
        _without_table,
        {"not-checked": Level.WARNING},
    ),
    "the model list's version not known": (
        lambda: _good().components(_set(_is("model-list"), active=None)),
        {"version-unknown": Level.WARNING, "not-checked": Level.WARNING},
    ),
    "the model list's version has no place": (
        lambda: _good().components(_set(_is("model-list"), active="tables")),
        {"version-unordered": Level.WARNING, "not-checked": Level.WARNING},
    ),
    "a place in the order not known": (_listed_by_text, {"not-checked": Level.WARNING}),
    "room not known": (lambda: _good().rooms(free_bytes=None), {"not-checked": Level.WARNING}),
}


def _withdrawn() -> list[dict[str, Any]]:
    rows = [b.model_dump() for b in marram().bundle]
    return [{**b, "lifecycle": "withdrawn", "reason": "notice 9"} if b["file"] == _INFRA else b for b in rows]


def _stricter() -> tuple[dict[str, Any], ...]:
    when = {"family": "infrastructure", "version": ">=6.0,<6.1"}
    need = ({"family": "blade", "version": ">=6.0"},)
    return ({"scope": "domain", "when": when, "need": need, "source": "release notes 6.0, table 5"},)


def _signed(store: Holdings, world: _World) -> Holdings:
    rows = [f for b in world.manifest.bundle if (f := store.stored(b.sha256))]
    return Holdings(rows, signed_families=("infrastructure",), max_verification_age_s=90 * 86400)


@pytest.mark.parametrize("name", CASES)
def test_each_thing_that_is_wrong_brings_its_own_codes_and_no_others(name: str) -> None:
    """Each is something our tool must catch or make impossible."""
    make, expected = CASES[name]
    report = make().report()
    worst: dict[str, Level] = {}
    for gap in reversed(_counting(report)):
        worst[gap.code] = gap.finding.level
    assert worst == expected
    assert not report.ok


def test_every_code_is_raised_by_some_case_and_is_one_of_the_closed_list() -> None:
    """Finding codes (closed; an addition is a numbered decision)."""
    raised = {code for _, codes in CASES.values() for code in codes}
    assert raised == set(SEVERITY)
    assert set(SEVERITY) <= set(CODES)


#: What may be uploaded is judged beside the gaps: its findings are in no list that is ranked.
_RANKED = sorted(path for path in Path(gap_report.__file__).parent.glob("*.py") if path.stem != "upload")


@pytest.mark.parametrize("path", _RANKED, ids=lambda path: path.stem)
def test_every_code_that_a_check_names_has_its_rank(path: Path) -> None:
    """A code without a rank would stop `gaps` where it is found first."""
    texts = {node.value for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.Constant)}
    assert texts & set(CODES) <= set(SEVERITY)


@pytest.mark.parametrize("name", CASES)
def test_every_gap_has_evidence_or_sources_a_subject_and_says_what_to_do(name: str) -> None:
    """ "one list …, each with its evidence and a hint" (issue 5)"""
    for gap in some(_counting(CASES[name][0]().report())):
        assert gap.finding.subject and gap.finding.message
        assert gap.finding.hint or gap.code == "not-checked"
        assert gap.evidence or gap.sources
        assert json.loads(json.dumps(gap.as_json()))["code"] == gap.code


def test_worst_comes_first_and_the_same_input_gives_the_same_list() -> None:
    """ "one list of everything between here and there, worst first" (issue 5)"""
    world = _shared().components(_set(_is("domain-manager"), healthy=False)).file(verified=False)
    report = world.report()
    levels = [list(Level).index(gap.finding.level) for gap in report.gaps]
    assert levels == sorted(levels)
    assert report == world.report()


def _one(report: GapReport, code: str) -> Gap:
    [gap] = [gap for gap in _counting(report) if gap.code == code]
    return gap


def test_a_refused_jump_quotes_every_rule_that_refuses_it_and_its_source() -> None:
    """Every rule says where it comes from; a plan quotes it."""
    gap = _one(CASES["jump refused"][0]().report(), "jump-refused")
    assert gap.sources == ("release notes 6.1, table 2",)
    assert "to >=6.1 from >=6.0 (release notes 6.1, table 2)" in gap.finding.message
    assert gap.evidence["from"] == "5.4.10" and gap.evidence["to"] == "6.1.0"
    assert len(gap.things) == 8  # the infrastructure, but not its model list, which a rule about a family never reaches


def test_a_downgrade_that_a_rule_lets_pass_is_a_warning_with_its_source() -> None:
    """ "Down only where a rule says that it may be done": here infrastructure may, blades not."""
    world = CASES["down without a rule"][0]()
    downs = [gap for gap in _counting(world.report()) if gap.code == "downgrade"]
    assert [gap.finding.level for gap in downs] == [Level.ERROR, Level.WARNING]
    assert downs[1].sources == ("release notes 6.1, table 3",)
    assert all("model-list" not in component for gap in downs for component in gap.evidence["images"])


def test_the_model_table_stays_ahead() -> None:
    """ "the model list stays ahead" (common practice)"""
    world = _good().components(_set(_is("model-list"), active="2026-3"))
    assert world.report().ok


def test_versions_as_text_would_sort_wrongly() -> None:
    """A downgrade by accident, because version strings sort wrongly as text (`2.10` against `2.9`)."""
    rows = [
        bundle("blade", v, *(image(k, "Tern-2", v) for k in ("bios", "management-controller"))) for v in ("2.9", "2.10")
    ]
    release = ({"name": "old", "blade": "2.9"}, {"name": "new", "blade": "2.10"})
    made = manifest(*rows, release=release)
    for now, to, down in [("2.9", "new", False), ("2.10", "old", True)]:
        domain = inventory(blade("1", now)[:2])
        report = gaps("holm-a", to, made, domain, stored_all(made), NOW)
        assert ("downgrade" in {gap.code for gap in report.gaps}) is down


def test_of_versions_in_order_of_preference_the_first_held_is_meant() -> None:
    """ "lists are preferred first"; the preferred one that is held, else the first."""
    world = _good()
    both = _good().report()
    assert both.ok
    only_older = Holdings(f for b in world.manifest.bundle if b.file != "marram-blade-6.1.0.bin" and
                          (f := world.holdings.stored(b.sha256)))  # fmt: skip
    report = replace(world, holdings=only_older).policy(versions={"blade": "6.0.1"}).report()
    told = [(g.finding.subject, g.finding.level.value) for g in report.gaps if g.code == "not-in-store"]
    assert told == [("blade 6.1.0", "warning")]
    neither = replace(world, holdings=_without(world, "6.1.0", "6.0.1"))
    stored = [g.finding.subject for g in neither.report().gaps if g.code == "not-in-store"]
    assert "blade 6.1.0 (marram-blade-6.1.0.bin)" in stored


def test_a_shared_policy_names_every_server_and_domain_that_it_touches() -> None:
    """Policy … that is shared (naming every server and domain it touches)."""
    gap = _one(_shared().report(), "policy-shared")
    assert "2 servers in 2 domains" in gap.finding.message
    for word in ("holm-a (1)", "holm-b (1)", "holm/holm-a/1/1", "holm/holm-b/1/4"):
        assert word in gap.finding.message
    assert set(gap.evidence["servers"]) == {"holm-a", "holm-b"}
    elsewhere = replace(
        _shared(), inventory=replace(_shared().inventory, policies=(replace(_OTHERS, scope=("holm-a",)),))
    )
    assert "policy-shared" not in {g.code for g in elsewhere.report().gaps}


def test_whether_a_policy_is_shared_hangs_on_servers_of_unknown_policy() -> None:
    """ "Unknown is never zero and never good.": the server in holm-b may share it."""
    world = _shared().components(lambda p: {"policy": None} if p.domain == "holm-b" else {})
    gap = _one(world.report(), "not-checked")
    assert "the policy of servers in holm-b" in gap.finding.message


def test_room_names_the_images_that_may_go_and_those_that_may_not() -> None:
    """ "often only on the following half": each half is asked by itself."""
    gap = _one(CASES["room after a removal"][0]().report(), "not-enough-space")
    assert gap.evidence["remove"] == [["6.1.0", "5.4.2", 400_000]]
    assert gap.evidence["kept"] == {"5.4.10": "it is the only way back", "6.0.1": "it is running"}
    assert gap.things == ("HOLM-A-FABRIC-SWITCH-FABRIC-L",)
    short = _one(CASES["short of room"][0]().report(), "not-enough-space")
    assert short.evidence["short_bytes"] == 640_000 - 100 - 400_000
    assert "short by 239900 bytes" in short.finding.message


@pytest.mark.parametrize(
    ("name", "fact"),
    [
        ("matches no bundle", "whether it may go from its 6.0.0 to 6.1.0 (not known: the bundle that it is at)"),
        ("a place in the order not known", "goes down (not known: the place of its versions in their order)"),
        ("the model list's version has no place", "(not known: the place of tables in the order of its versions)"),
        ("no model list listed", "knows the models of the servers (not known: the model-list, none is listed)"),
        (
            "a server's kind that nobody describes",
            "whether it takes a policy (not known: who drives probe (applied_by))",
        ),
        ("variant of a bundle not known", "whether it is the variant managed-servers (not known: its variant)"),
        ("no expiry date", "whether the manifest is out of date (not known: its expiry date)"),
        ("a patch onto what is no bundle", "whether that runs (not known: what 6.1.0 brings)"),
        ("partitions not listed", "whether its image fits (not known: its partitions)"),
        ("an image's sizes not known", "fits on images (not known: working of image 6.1.0)"),
        ("a bundle's images not known", f"(not known: the images of {_INFRA})"),
        ("a kind that nobody describes", "whether its image fits (not known: how probe is written (method))"),
        ("a kind that nobody describes", "how it gets back (not known: how probe gets back)"),
    ],
)
def test_a_check_that_was_not_made_names_what_it_lacked(name: str, fact: str) -> None:
    """A check that lacked a fact is `not-checked` and names the fact."""
    told = [g.finding.message for g in CASES[name][0]().report().gaps if g.code == "not-checked"]
    assert any(fact in message for message in told), told


def test_what_may_go_is_not_known_where_it_is_not_known_what_is_pending() -> None:
    """Short of room, and any of the files may be the one that starts next: nothing may be said to be removable."""
    world = CASES["room after a removal"][0]().components(_set(_is("fabric-switch"), pending=None))
    report = world.report()
    assert _one(report, "not-enough-space").finding.level is Level.ERROR
    assert _one(report, "not-checked").evidence == {"check": "removal", "lacks": "pending"}


def test_a_partition_of_several_is_never_assumed_to_be_the_right_one() -> None:
    """One has space and one has not, and nothing says which one takes images."""
    world = _good()
    tight = Partition(world.inventory.partitions[0].component, "log", 10, 10)
    rooms = (*world.inventory.partitions, tight)
    report = replace(world, inventory=replace(world.inventory, partitions=rooms)).report()
    assert "which of its partitions takes images" in _one(report, "not-checked").finding.message


def test_drivers_are_not_checked_unless_the_user_vouches_for_them() -> None:
    """Drivers and adapter firmware are supported as pairs; `not-checked` if unknown."""
    world = _good()
    report = gaps("holm-a", "6.1", world.manifest, world.inventory, world.holdings, NOW)
    assert "drivers" in _one(report, "not-checked").finding.message
    assert report.checks["drivers"] == (0, 1)
    [note] = [g for g in world.report().gaps if "drivers" in g.finding.message]
    assert note.finding.level is Level.NOTE and "I. Ferro, list of 2026-11-20" in note.finding.message


def test_a_patch_is_judged_as_two_jumps_and_needs_its_base() -> None:
    """ "a patch on that base": the base runs first, is held too, and brings what the patch does not."""
    patched = ({"name": "6.1", "infrastructure": "6.1.0-p2", "blade": "6.1.0"},)
    rule = {"what": {"kind": "io-module"}, "to": ">=6.1.0-p2", "from": "<6.1", "source": "release notes p2"}
    jumps = [*(j.model_dump(by_alias=True) for j in marram().jump), rule]
    report = _good().rules(release=patched, jump=jumps).report()
    gap = _one(report, "jump-refused")
    assert gap.evidence["from"] == "6.1.0" and gap.evidence["to"] == "6.1.0-p2"
    assert {key.split("-")[2] for key in gap.things} == {"IO"}
    missing = replace(_good().rules(release=patched), holdings=_signed(_without(_good(), "6.1.0"), _good()))
    stored = [g.finding.subject for g in missing.report().gaps if g.code == "not-in-store"]
    assert f"infrastructure 6.1.0 ({_INFRA})" in stored


def test_a_mix_that_hangs_on_an_unknown_version_names_the_rule_and_the_parts() -> None:
    """A check that lacked a fact is `not-checked` and names the fact."""
    report = CASES["mix not known"][0]().report()
    gaps_ = [
        g for g in _counting(report) if g.code == "not-checked" and "release notes 6.0, table 5" in g.finding.message
    ]
    assert len(gaps_) == 1 and "today" in gaps_[0].finding.message
    assert "SRV-holm-a-1-1-bios" in gaps_[0].things and "HOLM-A-FABRIC-SWITCH-FABRIC-L" in gaps_[0].things


def test_what_is_staged_for_the_release_is_no_gap() -> None:
    assert _counting(_good().components(_set(_is("io-module"), staged="6.1.0")).report()) == []


def test_halves_of_a_pair_that_differ_are_told_as_such() -> None:
    gap = _one(_good().components(_set(_is("io-module", "following"), active="6.1.0")).report(), "component-differs")
    runs = "HOLM-A-IO-MODULE-IO-1-L 6.0.1, HOLM-A-IO-MODULE-IO-1-F 6.1.0"
    assert gap.finding.message == f"its two halves run different versions: {runs}"


def test_the_part_that_is_off_is_named_and_its_neighbours_are_not() -> None:
    """A replaced component that came with older (or newer) firmware than its neighbours."""
    world = _good(blades=3)
    odd = world.components(lambda p: {"active": "6.1.0"} if p.serial == "SRV-holm-a-1-2-network-adapter" else {})
    gap = _one(odd.report(), "component-differs")
    assert gap.things == ("SRV-holm-a-1-2-network-adapter",)
    assert gap.evidence["runs"] == {"6.0.1": 2, "6.1.0": 1}
    even = world.components(lambda p: {"active": f"6.{p.slot}.0"} if p.kind == "network-adapter" else {})
    assert len(_one(even.report(), "component-differs").things) == 3


@pytest.mark.parametrize(
    ("changed", "counted"),
    [
        ({}, (2, 0)),
        ({"signature": SignatureState.BAD}, (2, 0)),
        ({"signature": SignatureState.ABSENT}, (2, 0)),
        ({"against": (finding("removed-key", "x", "signed by a key that was dropped"),)}, (2, 0)),
        ({"signature": SignatureState.UNKNOWN}, (1, 1)),
    ],
)
def test_each_bundle_s_signature_is_one_check_whatever_it_finds(
    changed: dict[str, Any], counted: tuple[int, int]
) -> None:
    """Two bundles are wanted; the check of the infrastructure's is made unless nobody looked."""
    world = _good()
    stated = Signature(file="x.sig", form="sshsig", key="office")
    signed = world.bundle(_INFRA, signature=stated).file(**changed)
    assert signed.report().checks["signature"] == counted


@pytest.mark.parametrize(("sizes", "least"), [((100, 300), 100), ((300, None), None), ((None, 300), None), ((), None)])
def test_of_sizes_that_differ_the_least_counts_and_none_where_one_is_not_known(
    sizes: tuple[int | None, ...], least: int | None
) -> None:
    """The same image version is in two bundles; what removing it gives back is never a guess."""
    rows = [
        bundle("infrastructure", f"6.{n}", image("fabric-switch", "Reed-40", "5.4.10") | {"unpacked": size})
        for n, size in enumerate(sizes)
    ]
    fleet = Fleet(manifest(*rows), inventory(_switches()))
    component = next(p for p in fleet.state("holm-a").infrastructure)
    found = space_of(fleet.manifest_index, component, "boot-file", Partition(component.key, "images", 1000, 100))
    assert found.lying is not None
    assert [(file.version, file.size_bytes) for file in found.lying] == [("5.4.10", least)]


def _switches() -> tuple[Component, ...]:
    return tuple(replace(component, boot_files=("5.4.10",)) for component in pair("fabric-switch", "fabric", "5.4.10"))


def test_kinds_that_the_manifest_leaves_alone_are_a_note() -> None:
    """Disks of which no bundle has an image stay as they are: told, and neither an error nor a warning."""
    world = _good()
    [bios, *_] = [p for p in world.inventory.components if p.kind == "bios"]
    disk = replace(bios, kind="disk", serial="DISK-1", model="MD-1", active=None)
    components = (*world.inventory.components, disk)
    report = replace(world, inventory=replace(world.inventory, components=components)).report()
    [note] = [g for g in report.gaps if g.code == "model-unsupported"]
    assert report.ok and note.finding.level is Level.NOTE and note.things == ("DISK-1",)


def test_running_what_was_withdrawn_is_a_reason_to_hurry() -> None:
    """ "A release withdrawn after it was downloaded.": the target takes the components away from it."""
    rows = [b.model_dump() for b in marram().bundle]
    rows = [{**b, "lifecycle": "withdrawn", "reason": "notice 7"} if b["version"] == "6.0.1" else b for b in rows]
    report = _good().rules(bundle=rows).report()
    assert report.ok
    told = [g.finding.message for g in report.gaps if g.code == "withdrawn"]
    assert sorted(told) == [f"runs {f} 6.0.1, which was withdrawn: notice 7" for f in ("blade", "infrastructure")]


def test_infrastructure_at_three_bundles_is_refused_and_at_two_is_a_step_that_was_begun() -> None:
    """That mix of A and B is allowed unless a rule forbids it; any other mix is refused."""
    begun = _good().components(_set(_is("chassis-controller"), active="6.1.0"))
    assert "mix-refused" not in {g.code for g in begun.report().gaps}
    aside = _good().components(_set(_is("chassis-controller"), active="5.4.10"))
    assert _one(aside.report(), "mix-refused").finding.level is Level.WARNING
    three = aside.components(_set(_is("domain-manager"), active="6.1.0"))
    gap = _one(three.report(), "mix-refused")
    assert gap.finding.level is Level.ERROR and set(gap.evidence["bundles"]) == {"5.4.10", "6.0.1", "6.1.0"}


def test_what_is_written_is_counted() -> None:
    """`gaps` ends with how many checks were made and how many could not be made."""
    good, blank = _good().report(), _good().components(_set(_is("bios"), active=None)).report()
    assert good.checks_made == sum(made for made, _ in good.checks.values())
    assert blank.checks_not_made > good.checks_not_made


def test_unknown_names_are_refused_with_a_suggestion() -> None:
    """A domain that is not listed and a release that is not in the manifest."""
    world = _good()
    with pytest.raises(InputError) as domain:
        gaps("holm-c", "6.1", world.manifest, world.inventory, world.holdings, NOW)
    assert "holm-a" in domain.value.hint
    with pytest.raises(InputError) as release:
        gaps_all(Fleet(world.manifest, world.inventory), "6.l", world.holdings, NOW)
    assert "6.1" in release.value.hint


def test_all_domains_are_answered_as_one_by_one() -> None:
    """ "`gaps --all`": the index is shared, the answers are those of each domain."""
    world = _shared()
    fleet = Fleet(world.manifest, world.inventory)
    together = list(gaps_all(fleet, "6.1", world.holdings, NOW))
    assert [r.domain for r in together] == ["holm-a", "holm-b"]
    for report in together:
        alone = gaps(report.domain, "6.1", world.manifest, world.inventory, world.holdings, NOW)
        assert report == alone == gaps_of(fleet, report.domain, "6.1", world.holdings, NOW)


def test_servers_without_infrastructure_are_not_a_whole_domain() -> None:
    """What is not listed is not known, not absent."""
    world = replace(_good(), inventory=inventory(blade("1", "6.0.1"), (), _good().inventory.policies))
    facts = [g.evidence.get("lacks", "") for g in world.report().gaps if g.code == "not-checked"]
    assert any("the inventory lists none" in str(fact) for fact in facts)


def test_planning_does_not_pay_for_pydantic() -> None:
    """Asking *where* must not pay for pydantic, httpx or cryptography."""
    code = "import sys, bundlekeeper.planning.gaps.find; print('pydantic' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "False"
