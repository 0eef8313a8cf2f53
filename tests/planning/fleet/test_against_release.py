"""How components stand against a release: what is not known is never shown as good."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bundlekeeper.model.inventory.types import Component
from bundlekeeper.model.release_state import ReleaseState
from bundlekeeper.planning.fleet.against_release import AgainstRelease, LedgerSays, against_release
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.target import target_of
from tests.kits.planning_kit import marram, stored_all, whole_domain

DOMAIN = "holm-a"
GOOD = {ReleaseState.AT, ReleaseState.STAGED, ReleaseState.UNREAD, ReleaseState.OUTSIDE}


def _states(*changed: Component, recorded: LedgerSays | None = None) -> dict[str, AgainstRelease]:
    """Every component of a whole domain at 6.0.1 against release 6.1, some of them replaced."""
    known, manifest = whole_domain(), marram()
    others = {component.key: component for component in changed}
    components = tuple(others.get(component.key, component) for component in known.components)
    fleet = Fleet(manifest, replace(known, components=components))
    state, index = fleet.state(DOMAIN), fleet.manifest_index
    target = target_of(index, index.release("6.1"), state, stored_all(manifest))
    said = recorded or LedgerSays()
    return {placed.key: against_release(fleet, target, placed, said) for placed in state.components}


def _one(sort: str, recorded: LedgerSays | None = None, **more: object) -> AgainstRelease:
    component = next(component for component in whole_domain().components if component.kind == sort)
    changed = replace(component, **more)  # type: ignore[arg-type]
    return _states(changed, recorded=recorded)[changed.key]


@pytest.mark.parametrize(
    ("active", "staged", "state"),
    [
        ("6.1.0", "", ReleaseState.AT),
        ("6.1", "", ReleaseState.AT),  # equal in natural order
        ("6.0.1", "", ReleaseState.BEHIND),
        ("6.0.1", "6.1.0", ReleaseState.STAGED),
        ("6.0.1", "6.0.1", ReleaseState.BEHIND),  # something else is staged
        ("6.10.0", "", ReleaseState.AHEAD),
        ("6.10.0", "6.1.0", ReleaseState.STAGED),
        ("as shipped", "", ReleaseState.UNKNOWN),  # no place in the order
        (None, "", ReleaseState.UNKNOWN),
        (None, "6.1.0", ReleaseState.UNKNOWN),  # nobody knows what it runs: no good news
        ("", "", ReleaseState.UNKNOWN),
    ],
)
def test_a_version_is_placed_by_the_order_of_its_kind(active: str | None, staged: str, state: ReleaseState) -> None:
    found = _one("io-module", active=active, staged=staged)
    assert (found.state, found.goal) == (state, "6.1.0")


@pytest.mark.parametrize("fact", ["active", "model"])
def test_without_a_fact_no_component_is_shown_as_good(fact: str) -> None:
    blinded = [replace(component, **{fact: None}) for component in whole_domain("6.1.0").components]  # type: ignore[arg-type]
    assert {_states(blind)[blind.key].state for blind in blinded} & GOOD == set()
    assert len(blinded) > 1


@pytest.mark.parametrize(
    ("recorded", "active", "state"),
    [
        (LedgerSays(failed=True, withdrawn=True, unread=True), "6.1.0", ReleaseState.FAILED),
        (LedgerSays(withdrawn=True), "6.1.0", ReleaseState.WITHDRAWN),
        (LedgerSays(failed=True), None, ReleaseState.FAILED),
        (LedgerSays(unread=True), "6.1.0", ReleaseState.UNREAD),
        (LedgerSays(unread=True), "6.0.1", ReleaseState.BEHIND),
        (LedgerSays(unread=True), None, ReleaseState.UNKNOWN),
    ],
)
def test_what_the_ledger_says_of_the_last_work_is_asked_first(
    recorded: LedgerSays, active: str | None, state: ReleaseState
) -> None:
    assert _one("io-module", recorded, active=active).state is state


def test_outside_is_only_what_no_bundle_of_its_family_serves() -> None:
    """A model that the release's bundle has no image for stands nowhere, and a domain with it is not at the release."""
    for kind in ("network-adapter", "bios", "io-module", "fabric-switch", "model-list"):
        assert _one(kind, model="Tern-999").state is ReleaseState.UNKNOWN, kind
    assert _one("network-adapter", kind="power-supply").state is ReleaseState.OUTSIDE
