"""Blank every fact in turn: no answer may get better.

What "better" means here, exactly. Let G be an error or a warning of the first report, of code c, about the components
T (or
about no component: then it is reported by its code and subject). After one field of one thing was blanked, each pair
(c, t) with t in T must still be there at no milder level, or some gap that says what is not known (`not-checked`,
`version-unknown`) or what is not there (`family-missing`, `unverified`, `unsigned`), and that the first report did not
have, must speak about such a t, about the component that was blanked, or (for a G about no component) about the same
bundle or family. A report that was not ok must not become ok.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import pytest

from bundlekeeper.findings import Level
from bundlekeeper.model.inventory.types import COMPONENT_KEYS, NEEDED, Inventory
from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.planning.fleet.stock import Holdings, SignatureState
from bundlekeeper.planning.gaps.find import gaps
from bundlekeeper.planning.gaps.report import Gap, GapReport
from tests.kits.planning_kit import NOW
from tests.kits.planning_worlds import disorderly_fleet, disorderly_manifest, disorderly_store
from tests.kits.sure import some

_INSTEAD = {"not-checked", "version-unknown", "family-missing", "unverified", "unsigned"}
_BLANKABLE = tuple(key for key in COMPONENT_KEYS if key not in NEEDED)
_RANK = {Level.ERROR: 2, Level.WARNING: 1, Level.NOTE: 0}


@dataclass(frozen=True)
class _World:
    manifest: Manifest
    inventory: Inventory
    holdings: Holdings

    @cached_property
    def report(self) -> GapReport:
        """Made once for all that are blanked."""
        return gaps("holm-a", "6.1", self.manifest, self.inventory, self.holdings, NOW)


def _world(seed: int) -> _World:
    rnd = random.Random(seed)
    made = disorderly_manifest(rnd)
    return _World(made, disorderly_fleet(rnd), disorderly_store(rnd, made))


def _about(report: GapReport, inventory: Inventory) -> list[tuple[Gap, frozenset[int]]]:
    """Each gap that counts, with the places of its components in the inventory: a blanked serial changes a
    component's key."""
    places = {component.key: place for place, component in enumerate(inventory.components)}
    rows = [gap for gap in report.gaps if gap.finding.level is not Level.NOTE]
    return [(gap, frozenset(places[key] for key in gap.things)) for gap in rows]


def _told(gap: Gap, places: frozenset[int]) -> tuple[str, str, str, frozenset[int]]:
    """What makes a gap the same as before; the names of groups change with their members."""
    return (gap.code, gap.finding.message, "" if places else gap.finding.subject, places)


def _better(before: _World, after: _World, blanked: int | None) -> list[str]:
    """Every way in which the second answer is better than the first; empty where it is not."""
    one, other = before.report, after.report
    old, new = _about(one, before.inventory), _about(other, after.inventory)
    known = {_told(gap, places) for gap, places in old}
    instead = [(gap, places) for gap, places in new if gap.code in _INSTEAD and _told(gap, places) not in known]
    problems = ["it became ok"] if other.ok and not one.ok else []
    for gap, places in old:
        level = _RANK[gap.finding.level]
        same = [(g, p) for g, p in new if g.code == gap.code and _RANK[g.finding.level] >= level]
        if places:
            lost = places - frozenset(p for _, rows in same for p in rows)
            mine = lost | ({blanked} if blanked is not None else set())
            replaced = any(rows & mine for _, rows in instead)
        else:
            lost = frozenset() if any(g.finding.subject == gap.finding.subject for g, _ in same) else frozenset({-1})
            words = set(gap.finding.subject.replace(":", " ").split())
            replaced = any(words & set(g.finding.subject.replace(":", " ").split()) for g, _ in instead)
        if lost and not replaced:
            problems.append(f"{gap.finding.level} {gap.code} about {sorted(lost)}: {gap.finding.message}")
    return problems


def _blanked_components(inventory: Inventory) -> Iterator[tuple[str, int, Inventory]]:
    for place, component in enumerate(inventory.components):
        for field in _BLANKABLE:
            if getattr(component, field) is None:
                continue
            blank = _blank(component, field)
            rows = (*inventory.components[:place], blank, *inventory.components[place + 1 :])
            if len({p.key for p in rows}) < len(rows):
                continue  # without its serial it is the same as another one: such an inventory is refused when read
            rooms = [
                replace(p, component=blank.key) if p.component == component.key else p for p in inventory.partitions
            ]
            yield f"{field} of {component.key}", place, replace(inventory, components=rows, partitions=tuple(rooms))


def _blank(row: Any, field: str) -> Any:
    return replace(row, **{field: None})


SEEDS = range(4)
MANY = range(4, 7)


@pytest.mark.parametrize("seed", SEEDS)
def test_blanking_a_field_of_a_component_never_makes_an_answer_better(seed: int) -> None:
    """Blanking a field of an input may never make an answer better."""
    world = _world(seed)
    tried = 0
    for name, place, blank in _blanked_components(world.inventory):
        assert _better(world, replace(world, inventory=blank), place) == [], name
        tried += 1
    assert tried > 100


@pytest.mark.parametrize("seed", SEEDS)
def test_blanking_partitions_and_policies_never_makes_an_answer_better(seed: int) -> None:
    """Blanking a field of an input may never make an answer better."""
    world = _world(seed)
    tried = 0
    for table, fields in (("partitions", ("size_bytes", "free_bytes")), ("policies", ("versions", "applies", "scope"))):
        rows: tuple[Any, ...] = getattr(world.inventory, table)
        for place, row in enumerate(rows):
            for field in fields:
                more: dict[str, Any] = {table: (*rows[:place], _blank(row, field), *rows[place + 1 :])}
                blank = replace(world.inventory, **more)
                assert _better(world, replace(world, inventory=blank), None) == [], f"{field} of {row}"
                tried += 1
    assert tried > 10


@pytest.mark.parametrize("seed", SEEDS)
def test_blanking_an_optional_field_of_the_manifest_never_makes_an_answer_better(seed: int) -> None:
    """ "Unknown is never zero and never good."

    Every optional field that states a fact. Not the overrides of [kind.X], the selections of rules, and what a file is
    (`base`, `only`): without them the built-in table, a wider rule or another sort of file is meant, which is something
    else that is known, not something unknown.
    """
    world = _world(seed)
    for name, changed in some(_blanked_manifests(world.manifest)):
        assert _better(world, replace(world, manifest=changed), None) == [], name


def _blanked_manifests(whole: Manifest) -> Iterator[tuple[str, Manifest]]:
    yield "expires", whole.model_copy(update={"expires": None})
    for place, bundle in enumerate(whole.bundle):
        changes: list[dict[str, Any]] = [
            {field: None}
            for field in ("digest_from", "released", "reason", "signature", "variant")
            if getattr(bundle, field) is not None
        ]
        changes.append({"images": ()})
        for at, one in enumerate(bundle.images):
            for field in ("size", "unpacked", "working", "minutes"):
                blank = one.model_copy(update={field: None})
                changes.append({"images": (*bundle.images[:at], blank, *bundle.images[at + 1 :])})
        for change in changes:
            rows = (*whole.bundle[:place], bundle.model_copy(update=change), *whole.bundle[place + 1 :])
            yield f"{list(change)} of {bundle.file}", whole.model_copy(update={"bundle": rows})
    release = whole.release[0]
    for family in ("infrastructure", "blade", "rack", "source"):
        rows_ = (release.model_copy(update={family: None}), *whole.release[1:])
        yield f"{family} of release {release.name}", whole.model_copy(update={"release": rows_})


@pytest.mark.parametrize("seed", SEEDS)
def test_blanking_what_the_store_says_never_makes_an_answer_better(seed: int) -> None:
    """Nothing is called verified that was not read."""
    world = _world(seed)
    rows = [file for b in world.manifest.bundle if (file := world.holdings.stored(b.sha256))]
    changes: list[dict[str, Any]] = [{"verified": None}, {"verified_at": None}, {"signature": SignatureState.UNKNOWN}]
    for place, file in enumerate(some(rows)):
        for change in changes:
            files = [*rows[:place], replace(file, **change), *rows[place + 1 :]]
            more: dict[str, Any] = {"max_verification_age_s": world.holdings.max_verification_age_s}
            blank = Holdings(files, signed_families=world.holdings.signed_families, **more)
            assert _better(world, replace(world, holdings=blank), None) == [], f"{change} of {file}"


@pytest.mark.slow
@pytest.mark.parametrize("seed", MANY)
def test_blanking_any_field_of_many_more_fleets(seed: int) -> None:
    """As above, on more fleets than one wants to wait for each time."""
    test_blanking_a_field_of_a_component_never_makes_an_answer_better(seed)
    test_blanking_partitions_and_policies_never_makes_an_answer_better(seed)
