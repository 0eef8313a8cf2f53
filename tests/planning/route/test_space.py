"""Room for the images of a route: each half of a pair, each step, stops among them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from bundlekeeper.findings import Finding
from bundlekeeper.model.inventory.types import Component, Partition
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.route.find import route
from bundlekeeper.planning.route.space import space_findings
from bundlekeeper.planning.route.types import Route
from bundlekeeper.planning.route.way_back import ways_back
from bundlekeeper.planning.windows.make import schedule
from tests.kits.planning_kit import bundle, image, inventory, manifest, marram, pair, stored_all, whole_domain

NOW = datetime(2026, 11, 25, tzinfo=UTC)


def _told(first: int | None, second: int | None, last: int | None = 200) -> list[Finding]:
    """What is reported of the space on the way of `_switches`."""
    return [*space_findings(*_switches(first, second, last))]


def _switches(
    first: int | None, second: int | None, last: int | None = 200, files: tuple[str, ...] = ("1.0",)
) -> tuple[Fleet, Route]:
    """A pair of switches that must stop at 2.0 on its way from 1.0 to 3.0; each image lies there with 200 bytes."""
    bundles = [
        bundle(
            "infrastructure",
            version,
            image(
                "fabric-switch",
                "Reed-40",
                version,
                size=100,
                unpacked=last if version == "3.0" else 200,
                working=10,
                minutes=5,
            ),
        )
        for version in ("0.8", "0.9", "1.0", "2.0", "3.0")
    ]
    what = {"family": "infrastructure"}
    rules = manifest(
        *bundles,
        families=["infrastructure"],
        release=[{"name": v, "infrastructure": v, "source": "notes"} for v in ("1.0", "2.0", "3.0")],
        jump=[
            {"what": what, "to": ">=2,<3", "from": ">=1", "source": "notes"},
            {"what": what, "to": ">=3", "from": ">=2", "source": "notes"},
        ],
    )
    halves = pair("fabric-switch", "fabric", "1.0", boot_files=files, pending="")
    rooms = [Partition(h.key, "images", 10_000, free) for h, free in zip(halves, (first, second), strict=True)]
    fleet = Fleet(rules, inventory(halves, rooms))
    found = route(fleet, "holm-a", "3.0", Holdings(), NOW)
    assert isinstance(found, Route)
    assert [step.name for step in found.steps] == ["2.0", "3.0"]
    return fleet, found


def test_the_stop_needs_space_too() -> None:
    """ "Space, per partition and per half of a pair, at each step" (issue 5, point 2): 200 + 310 bytes are needed."""
    assert _told(510, 510) == []
    (told,) = _told(510, 509)
    assert (told.code, told.level.value) == ("not-enough-space", "error")
    assert told.subject.startswith("step 2: ")
    assert "short by 1 bytes" in told.message
    assert "1.0" in told.hint  # the way back from 2.0 stays


def test_too_little_for_the_stop_itself_is_reported_at_its_step() -> None:
    """310 bytes are needed at the stop; each half is reported, like ones as one."""
    (told,) = _told(309, 309)
    assert told.subject.startswith("step 1: ")
    assert told.subject.count("fabric-switch") == 2


def test_space_that_is_not_known_is_never_space() -> None:
    """Unknown is never good."""
    (told,) = _told(510, None)
    assert (told.code, told.level.value) == ("not-checked", "warning")
    assert "free_bytes" in told.message


def test_what_is_not_listed_is_told_and_no_fewer_facts_are_a_better_answer() -> None:
    """ "Unknown is never zero and never good": a domain of which only servers are listed was asked less."""
    whole = whole_domain()
    rules = marram()

    def facts(components: list[Component]) -> set[str]:
        found = route(Fleet(rules, inventory(components)), "holm-a", "6.1", stored_all(rules), NOW)
        assert isinstance(found, Route)
        return {f"{f.code}: {f.message}" for f in found.findings if "listed" in f.message}

    assert facts(list(whole.components)) == set()
    (told,) = facts([c for c in whole.components if c.kind != "model-list"])
    assert told.startswith("not-checked: no model-list is listed")
    servers = [c for c in whole.components if c.kind in ("bios", "management-controller")]
    (told,) = facts([replace(c, variant="managed-servers") for c in servers])
    assert told.startswith("not-checked: no infrastructure is listed")


def test_half_a_pair_is_told_with_its_windows() -> None:
    """A half that no inventory lists is planned for by nobody."""
    whole, rules = whole_domain(), marram()
    components = [c for c in whole.components if not (c.kind == "io-module" and c.half == "leading")]
    fleet = Fleet(rules, inventory(components))
    found = route(fleet, "holm-a", "6.1", stored_all(rules), NOW)
    assert isinstance(found, Route)
    told = [f for f in schedule(fleet, found).findings if "other half is not listed" in f.message]
    assert [f.code for f in told] == ["not-checked"]
    assert "io-module pair" in told[0].subject


def test_what_is_short_at_the_stop_stays_short_where_the_last_image_is_not_known() -> None:
    """Blanking a field never makes an answer better."""
    (told,) = _told(309, 309, None)
    assert (told.code, told.level.value) == ("not-enough-space", "error")
    (told,) = _told(310, 310, None)
    assert (told.code, told.level.value) == ("not-checked", "warning")


def test_a_file_goes_at_the_step_that_needs_it_as_an_action_before_the_image_is_brought() -> None:
    """The first step fits beside both files (310 of 400 bytes), the second does not (310 of 200 that are left): 0.9 was
    the way back from 1.0, and is not that from 2.0."""
    fleet, found = _switches(10_000, 400, files=("0.9", "1.0"))
    key = fleet.state("holm-a").infrastructure[1].key
    removals = [[(r.key, r.partition, r.version, r.size_bytes) for r in step.removals] for step in found.steps]
    assert removals == [[], [(key, "images", "0.9", 200)]]
    (told,) = space_findings(fleet, found)
    assert (told.code, told.subject) == ("not-enough-space", f"step 2: fabric-switch {key}")
    assert "fits after removing 0.9" in told.message
    rows = [a for window in schedule(fleet, found).windows if window.step == 2 for a in window.actions if a.key == key]
    verbs = [action.verb for action in rows]
    assert verbs[:2] == ["remove", "stage"]
    assert rows[0].version == "0.9"
    assert rows[0].end <= rows[1].start
    assert not any(a.verb == "remove" for w in schedule(fleet, found).windows if w.step == 1 for a in w.actions)


def test_each_step_has_its_own_removals_and_is_told_of_them() -> None:
    """The first step lacks 10 bytes, and so does the second after it: 0.8 goes first, 0.9 when it is no way back."""
    fleet, found = _switches(10_000, 300, files=("0.8", "0.9", "1.0"))
    assert [[r.version for r in step.removals] for step in found.steps] == [["0.8"], ["0.9"]]
    told = [(f.subject.partition(":")[0], f.message.partition(" (")[0]) for f in space_findings(fleet, found)]
    assert told == [("step 1", "images: fits after removing 0.8"), ("step 2", "images: fits after removing 0.9")]


def test_a_way_back_ends_where_its_file_is_removed() -> None:
    """1.0 goes before 3.0 is brought, so that the step to 2.0 has no way back after that."""
    fleet, found = _switches(10_000, 400, files=("0.9", "1.0"))
    steps = [replace(step, removals=tuple(replace(r, version="1.0") for r in step.removals)) for step in found.steps]
    back = ways_back(fleet, replace(found, steps=tuple(steps)), Holdings())
    assert [way.until.partition(";")[0] for way in back if way.step == 1] == ["step 2 removes the file of 1.0"]
