"""Plans made by hand, held against the rules: by example, against brute force, and readers that get nonsense."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Level
from bundlekeeper.model.inventory.types import SeparateWindows
from bundlekeeper.model.route.document import differences, inventory_facts, manifest_facts, read_document
from bundlekeeper.model.route.hand_plan import Plan, PlanStep, read_plan
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import ManifestIndex
from bundlekeeper.planning.route.check_plan import PlanVerdict, hold
from bundlekeeper.planning.route.find import Route, route
from tests.kits.brute_force import Brute, State
from tests.kits.planning_kit import NOW, marram, stored_all, whole_domain
from tests.kits.route_documents import _document
from tests.kits.route_stock import VERSIONS

TEXT = """plan = 1
domain = "holm-a"
release = "6.1"

[[step]]
what = "infrastructure"
version = "6.0.1"

[[step]]
what = "servers"
release = "6.0"

[[step]]
what = "infrastructure"
version = "6.1.0"
note = "the last one"

[[step]]
what = "blade"
version = "6.1.0"
servers = ["1/1"]

[[step]]
what = "servers"
release = "6.1"
"""


_BY_POLICY = ManifestIndex(marram()).by_policy


def read(text: str) -> Plan:
    return read_plan(text.encode(), name="plan.toml", form="toml")


def judged(text: str, start: str = "5.4.10") -> PlanVerdict:
    return hold(Fleet(marram(), whole_domain(start)), read(text), stored_all(marram()))


def errors(found: PlanVerdict) -> list[tuple[str, str]]:
    return [(f.code, f.subject) for f in found.findings if f.level is Level.ERROR]


def test_a_plan_that_obeys_is_told_with_its_steps_and_nothing_against_it() -> None:
    found = judged(TEXT)
    assert errors(found) == []
    assert [(s.number, s.what, s.name) for s in found.route.steps] == [
        (1, "infrastructure", "6.0.1"),
        (2, "servers", "6.0"),
        (3, "infrastructure", "6.1.0"),
        (4, "servers", "6.1.0"),
        (5, "servers", "6.1"),
    ]
    assert len(found.route.steps[3].changes[0].servers) == 1
    assert found.states > 5


def test_every_fault_is_told_at_once_with_its_step_and_its_rule() -> None:
    """Every state between must be allowed, not only the first and last."""
    text = TEXT.replace('version = "6.0.1"', 'version = "6.1.0"', 1).replace('release = "6.0"', 'release = "5.4"')
    found = judged(text)
    told = errors(found)
    assert ("jump-refused", "step 1") in told
    assert ("mix-refused", "step 1") in told
    assert any("release notes 6.1, table 2" in f.message for f in found.findings if f.subject == "step 1")
    assert [f.subject for f in found.findings if f.code == "no-change"] == ["step 2", "step 3"]


def test_a_plan_that_stops_short_says_what_is_not_there() -> None:
    found = judged(TEXT[: TEXT.rindex("[[step]]")])
    assert {code for code, _ in errors(found)} == {"falls-short"}
    assert len(errors(found)) == 2  # the other blade and the rack server
    shorter = judged(TEXT[: TEXT.rindex("[[step]]", 0, TEXT.rindex("[[step]]"))])
    messages = [finding.message for finding in shorter.findings if finding.code == "falls-short"]
    assert any("2 blade servers Tern-2 are not at release 6.1" in message for message in messages)


@pytest.mark.parametrize("start", ["5.4.2", "5.4.10", "6.0.1", "6.1.0"])
def test_what_the_planner_finds_obeys_and_is_no_longer(start: str) -> None:
    fleet = Fleet(marram(), whole_domain(start))
    found = route(fleet, "holm-a", "6.1", stored_all(marram()), NOW)
    if not isinstance(found, Route):
        return
    rows = [_step_of(s.what, s.name, tuple(k for c in s.changes for k in c.servers)) for s in found.steps]
    plan = Plan("p", "holm-a", "6.1", tuple(rows), lambda _: ("p", ""))
    stored = hold(fleet, plan, stored_all(marram()))
    assert errors(stored) == []
    assert stored.route.cost == found.cost


def _step_of(what: str, name: str, servers: tuple[str, ...]) -> PlanStep:
    own = what == "infrastructure"
    kind = ("model-list",) if name.endswith("only") else ()
    version = name.split(",")[0]
    return PlanStep(what, version if own else "", "" if own else name, kind, servers)


class Chance:
    """A plan by chance for a case that is written out, and what brute force says of each of its steps."""

    def __init__(self, rnd: random.Random, case: Brute) -> None:
        self.case, self.rnd = case, rnd
        self.servers = self._servers()
        self.steps: list[PlanStep] = []
        self.allowed: list[bool | None] = []  # None: the step changes nothing
        state = case.start
        for _ in range(rnd.randint(1, 5)):
            to = rnd.randrange(3)
            if rnd.random() < 0.5:
                state = self._own(state, to)
            else:
                chosen = [i for i in range(len(case.classes)) if rnd.random() < 0.7] or [0]
                state = self._of_servers(state, chosen, to)

    def _servers(self) -> list[tuple[str, ...]]:
        """The keys of each class's servers."""
        state = self.case.fleet.state("holm-a")
        found: dict[tuple[str, str], list[str]] = {}
        for server in state.servers:
            first = server.components[0].component
            found.setdefault((first.model or "", first.active or ""), []).append(server.key)
        return [tuple(found[m, VERSIONS[v]]) for m, v, _ in self.case.classes]

    def _own(self, state: State, to: int) -> State:
        if state[4] and self.rnd.random() < 0.5:  # only the switches that came late, by name
            keys = tuple(f"late fabric-switch-{half}" for half in ("leading", "following"))
            self.steps.append(PlanStep("infrastructure", VERSIONS[to], components=keys))
            then: tuple[int, ...] = (*state[:2], to)
            table = state[2]
        else:
            self.steps.append(PlanStep("infrastructure", VERSIONS[to]))
            then, table = (to, to, *[to] * len(state[4])), max(to, state[2])
        after: State = (then[0], then[1], table, state[3], then[2:])
        if after == state:
            self.allowed.append(None)
            return state
        self.allowed.append(self.case.own_step(state, then, table) is not None)
        return after

    def _of_servers(self, state: State, chosen: Sequence[int], to: int) -> State:
        keys = tuple(k for i in chosen for k in self.servers[i])
        self.steps.append(PlanStep("blade", VERSIONS[to], servers=keys))
        moving = {i for i in chosen if state[3][i] != to}
        if not moving:
            self.allowed.append(None)
            return state
        self.allowed.append(self.case.server_step(state, moving, to) is not None)
        return (*state[:3], tuple(to if i in moving else n for i, n in enumerate(state[3])), state[4])


def test_each_step_is_refused_exactly_where_brute_force_refuses_it() -> None:
    """ "hold a plan made by hand against the same rules" (issue 5, point 7); steps on named components among them."""
    counts = {True: 0, False: 0, None: 0}
    for seed in range(400):
        rnd = random.Random(seed)
        case = Brute(rnd, late=seed % 2 == 1)
        if not case.begins_well():
            continue
        chance = Chance(rnd, case)
        plan = Plan("p", "holm-a", VERSIONS[case.goal], tuple(chance.steps), lambda _: ("p", ""))
        found = hold(case.fleet, plan, stored_all(case.manifest))
        for number, allowed in enumerate(chance.allowed, 1):
            told = [f for f in found.findings if f.subject == f"step {number}"]
            idle = any(f.code == "no-change" for f in told)
            refused = any(f.level is Level.ERROR or f.code == "not-checked" for f in told)
            expected = None if idle else not refused
            counts[allowed] += 1
            assert expected == allowed, (seed, number, chance.steps, told)
            if allowed is False:  # what a refused step leaves standing is reported once, by brute force again and again
                break
    assert min(counts.values()) > 30


_VALUES = st.sampled_from(
    [
        "1",
        '"holm-a"',
        '""',
        "[]",
        '["1/1"]',
        "{}",
        "2026-08-14",
        "true",
        "[[1]]",
        '"\\u001b[31m"',
        "1e400",
        '"6.1"',
        "'''x'''",
    ]
)
_LINES = st.one_of(
    st.sampled_from(TEXT.splitlines()),
    st.sampled_from(["[[without]]", 'server = "1/1"', 'reason = "sold"', 'components = ["1", "1/1"]']),
    st.tuples(
        st.sampled_from(["plan", "domain", "release", "what", "version", "servers", "components", "only", "x.y"]),
        _VALUES,
    ).map(lambda row: f"{row[0]} = {row[1]}"),
    st.text(max_size=20),
)


NAMED = """plan = 1
domain = "holm-a"
release = "6.1"

[[without]]
server = "1/2"
reason = "sold"

[[step]]
what = "infrastructure"
version = "6.1.0"
components = ["1", "holm-a-MT"]

[[step]]
what = "blade"
version = "6.1.0"
components = ["1/1", "SRV-holm-a-1-2-bios"]
"""


def test_steps_on_a_chassis_a_component_or_a_server_move_just_those() -> None:
    """Components by serial, place, server or chassis; of what is left out, nothing."""
    found = judged(NAMED.replace("holm-a-MT", "HOLM-A-MT"), "6.0.1")
    moved = [{p.kind for c in step.changes for p in c.components} for step in found.route.steps]
    assert moved == [
        {"model-list", "io-module", "chassis-controller"},
        {"bios", "management-controller", "network-adapter"},
    ]
    assert {key for s in found.route.steps[1].changes for key in s.servers} == {"SRV-holm-a-1-1"}
    assert {code for code, _ in errors(found)} == {
        "falls-short",
        "mix-refused",
    }  # switches, managers and the rack server


def test_names_of_components_and_servers_that_are_not_there_are_told_with_their_places() -> None:
    wrong = NAMED.replace('"1/2"', '"1/9"').replace('"1",', '"7",').replace('"1/1"', '"1/8"')
    with pytest.raises(InputError) as refused:
        judged(wrong)
    assert [(f.where.rsplit(":", 2)[1], f.message) for f in refused.value.problems] == [
        ("6", "holm-a has no server '1/9'"),
        ("12", "the infrastructure has no component '7'"),
        ("12", "the infrastructure has no component 'holm-a-MT'"),
        ("17", "the servers have no component '1/8'"),
    ]
    with pytest.raises(InputError) as refused:
        judged(NAMED.replace('reason = "sold"', "resaon = 1").replace("server =", "servers ="))
    assert {f.message for f in refused.value.problems} == {
        "there is no key 'servers'",
        "there is no key 'resaon'",
        "server is missing",
        "reason is missing",
    }


@settings(max_examples=150)
@given(st.lists(_LINES, max_size=25))
def test_no_text_brings_anything_but_a_plan_or_our_own_error(lines: list[str]) -> None:
    """Nothing but our own error family may come out."""
    data = "\n".join(lines).encode("utf-8", "surrogatepass")
    try:
        plan = read_plan(data, name="plan.toml", form="toml")
        hold(Fleet(marram(), whole_domain("6.0.1", blades=1)), plan, stored_all(marram()))
    except InputError as error:
        assert all(problem.where for problem in error.problems)


@settings(max_examples=150)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=5),
        lambda s: (
            st.lists(s, max_size=3)
            | st.dictionaries(
                st.sampled_from(
                    [
                        "schema",
                        "inputs",
                        "manifest",
                        "inventory",
                        "options",
                        "route",
                        "steps",
                        "plan",
                        "step",
                        "changes",
                        "left_out",
                    ]
                ),
                s,
                max_size=5,
            )
        ),
        max_leaves=20,
    )
)
def test_no_json_brings_anything_but_a_plan_or_our_own_error(value: object) -> None:
    if isinstance(value, dict):
        value = {**value, "schema": "bundlekeeper.route/1"}
    data = json.dumps(value).encode()
    for reader in (lambda: read_document(data, "p.json"), lambda: read_plan(data, name="p.json", form="json")):
        try:
            reader()
        except InputError as error:
            assert error.message


def _paths(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    rows = [path] if path else []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in items:
        rows += _paths(each, (*path, key))
    return rows


def test_a_mutated_document_is_told_apart_judged_or_refused_and_never_breaks_us() -> None:
    """A test throws seeded mutations of valid input at each parser."""
    whole = _document()
    text = json.dumps(whole)
    fleet = Fleet(marram(), whole_domain("5.4.10"))
    read = read_document(text.encode(), "r.json")
    assert read is not None
    assert differences(read.inputs, whole["inputs"]) == []
    assert errors(hold(fleet, read.plan, stored_all(marram()))) == []
    rnd, paths, seen = random.Random(5), _paths(whole), {"refused": 0, "changed": 0, "faulty": 0, "same": 0}
    odd: list[Any] = [None, "", "x", 7, -1, [], {}, [[]], True, "\x1b[2J", {"kind": 1}, "0" * 64, ["a", "a"]]
    for _ in range(600):
        copy: Any = json.loads(text)
        path = rnd.choice(paths)
        at = copy
        for key in path[:-1]:
            at = at[key]
        if rnd.random() < 0.3:
            del at[path[-1]]
        else:
            at[path[-1]] = rnd.choice(odd)
        try:
            read = read_document(json.dumps(copy).encode(), "r.json")
            if read is None:
                seen["refused"] += 1
            elif differences(read.inputs, whole["inputs"]):
                seen["changed"] += 1
            else:
                seen["faulty" if errors(hold(fleet, read.plan, stored_all(marram()))) else "same"] += 1
        except InputError:
            seen["refused"] += 1
    assert min(seen.values()) > 5, seen


def test_what_changed_in_a_domain_is_named_and_a_later_reading_of_the_same_is_no_change() -> None:
    whole = whole_domain("6.0.1")
    then = {
        "manifest": manifest_facts(marram(), "0" * 64),
        "inventory": inventory_facts(whole, "holm-a", _BY_POLICY),
    }

    def told(components: Any, **more: Any) -> list[str]:
        changed = replace(whole, components=tuple(components), **more)
        now = {**then, "inventory": inventory_facts(changed, "holm-a", _BY_POLICY)}
        return [f"{f.subject}: {f.message}" for f in differences(then, now)]

    rows = list(whole.components)
    assert told(rows, read_at=date(2026, 12, 1)) == []
    assert told(reversed(rows)) == []
    first = rows[0]
    assert told([replace(first, active="6.1.0"), *rows[1:]]) == [f"fabric-switch {first.key}: it runs 6.1.0, was 6.0.1"]
    assert told([replace(first, healthy=None), *rows[1:]]) == [
        f"fabric-switch {first.key}: its healthy is not known, was True"
    ]
    gone = told(rows[1:])
    assert f"{first.key}: it is no longer there" in gone
    assert f"partition {first.key} images: it is no longer there" in gone
    assert told([*rows, replace(first, serial="NEW", active=None)]) == ["NEW: it is new"]
    assert told([*rows, replace(first, serial="FAR", domain="holm-b")]) == []
    assert told(rows, policies=()) == ["policy gold: it is no longer there"]
    assert told(rows, separate_windows=(SeparateWindows(("holm-a", "holm-b")),)) == [
        "separate_windows: the domains that must not share a window with this one were changed"
    ]


def test_a_digest_that_is_not_that_of_what_a_document_lists_was_edited() -> None:
    """ "A route stores the digests of the manifest and inventory it was made from" (issue 5, point 7)"""
    now = {
        "manifest": manifest_facts(marram(), "0" * 64),
        "inventory": inventory_facts(whole_domain("6.0.1"), "holm-a", _BY_POLICY),
    }
    then = {**now, "inventory": {**now["inventory"], "sha256": "0" * 64}}
    (told,) = differences(then, now)
    assert "it was edited" in told.message


def test_two_policies_of_one_name_hide_nothing_from_a_document() -> None:
    components = whole_domain("6.0.1")
    (policy,) = (p for p in components.policies if p.name == "gold")
    twice = replace(components, policies=(replace(policy, applies="immediate"), *components.policies))
    facts = inventory_facts(twice, "holm-a", _BY_POLICY)
    assert {row["applies"] for row in facts["policies"].values()} == {"immediate", policy.applies}


def test_whom_else_a_policy_touches_is_part_of_what_a_route_was_made_from() -> None:
    """A policy shared by many servers, even across domains, that applies at once restarts them all."""
    components = whole_domain("6.0.1")
    components = replace(components, policies=tuple(replace(p, scope=None) for p in components.policies))
    then = {
        "manifest": manifest_facts(marram(), "0" * 64),
        "inventory": inventory_facts(components, "holm-a", _BY_POLICY),
    }
    far = replace(next(r for r in components.components if r.policy == "gold"), parent="FAR", domain="holm-b")

    def told(policy: str | None) -> list[str]:
        changed = replace(components, components=(*components.components, replace(far, policy=policy)))
        return [
            f.subject for f in differences(then, {**then, "inventory": inventory_facts(changed, "holm-a", _BY_POLICY)})
        ]

    assert told("gold") == told(None) == ["policy gold"]
    assert told("") == told("silver") == []
