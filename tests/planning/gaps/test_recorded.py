"""What the rules say of work as it is recorded: jumps from what ran, mixtures after it, variants."""

from __future__ import annotations

from dataclasses import replace

from bundlekeeper.findings import Finding, Level
from bundlekeeper.model.inventory.types import Component
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.gaps.recorded import RecordedWork, against_rules
from tests.kits.planning_kit import inventory, marram, whole_domain


def _found(
    version: str, kinds: set[str], to: str, *, staged: bool = False, variant: str = "", beside: str | None = None
) -> list[Finding]:
    components = [c if c.kind in kinds else replace(c, staged=beside) for c in whole_domain(version).components]
    return _of(
        components,
        [RecordedWork(c.key, to, to if variant else "", variant) for c in components if c.kind in kinds],
        staged,
    )


def _of(components: list[Component], work: list[RecordedWork], staged: bool) -> list[Finding]:
    found = against_rules(Fleet(marram(), inventory(components)), work, staged=staged)
    assert all(one.level is Level.WARNING for one in found)
    return found


def test_a_jump_that_a_rule_refuses_quotes_the_rule_and_its_source() -> None:
    jumps = [one for one in _found("5.4.10", {"io-module"}, "6.1.0") if one.code == "jump-refused"]
    assert len(jumps) == 1
    assert "may not go from 5.4.10 to 6.1.0 in one step: to >=6.1 from >=6.0 (release notes 6.1" in jumps[0].message
    assert jumps[0].subject.startswith("holm-a: 2 components")


def test_a_jump_that_is_allowed_and_what_runs_already_say_nothing() -> None:
    assert _found("6.0.1", {"io-module"}, "6.1.0") == []
    assert _found("6.1.0", {"io-module"}, "6.1") == []  # equal: no jump at all


def test_going_down_without_a_rule_is_refused() -> None:
    found = _found("6.0.1", {"io-module"}, "5.4.10")
    assert [(one.code, "no rule allows it" in one.message) for one in found] == [("jump-refused", True)]


def test_what_may_not_run_beside_it_is_reported_when_it_runs_and_when_it_is_staged() -> None:
    ran = [one for one in _found("5.4.10", {"io-module"}, "6.1.0") if one.code == "mix-refused"]
    assert ran
    assert all("io-module Rush-4 at 6.1.0" in one.message and "(release notes 6.1" in one.message for one in ran)
    assert not any(one.message.startswith("once activated") for one in ran)
    staged = [one for one in _found("5.4.10", {"io-module"}, "6.1.0", staged=True) if one.code == "mix-refused"]
    assert [one.message for one in staged] == [f"once activated, {one.message}" for one in ran]


def test_what_is_staged_beside_it_counts_as_if_it_ran() -> None:
    """Everything of a window is staged, one command after the other, before any of it is activated."""
    beside = _found("5.4.10", {"io-module"}, "6.1.0", staged=True, beside="6.0.1")
    assert [one.code for one in beside] == ["jump-refused"]


def test_the_rules_see_only_domains_that_the_work_is_in() -> None:
    components = [*whole_domain("5.4.10").components, *whole_domain("5.4.10", domain="holm-b").components]
    work = [RecordedWork(c.key, "6.1.0") for c in components if c.kind == "io-module" and c.domain == "holm-b"]
    assert {one.subject.partition(":")[0] for one in _of(components, work, staged=False)} == {"holm-b"}


def test_a_bundle_of_another_variant_is_named() -> None:
    kinds = {"bios"}
    found = [one for one in _found("6.0.1", kinds, "6.1.0", variant="single-servers") if one.code == "wrong-variant"]
    assert [one.message for one in found] == [
        "rack 6.1.0 is of the variant single-servers, and this takes managed-servers"
    ]
    assert not [o for o in _found("6.0.1", kinds, "6.1.0", variant="managed-servers") if o.code == "wrong-variant"]


def test_what_is_only_perhaps_refused_is_not_reported() -> None:
    """Whether blades of an unknown version may run beside it is not known; `gaps` reports that."""
    components = [
        replace(c, active=None) if c.kind not in {"io-module", "fabric-switch"} else c
        for c in whole_domain("6.0.1").components
    ]
    work = [RecordedWork(c.key, "6.1.0") for c in components if c.kind == "io-module"]
    assert _of(components, work, staged=False) == []


def test_a_mixture_that_the_work_is_no_part_of_is_not_reported() -> None:
    components = [replace(c, active="6.1.0") if c.kind == "io-module" else c for c in whole_domain("5.4.10").components]
    lists = [RecordedWork(c.key, "2026-2") for c in components if c.kind == "model-list"]
    assert lists
    assert _of(components, lists, staged=False) == []  # it may run ahead, and no rule reaches it
