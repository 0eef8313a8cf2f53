"""`where`, now and on any day, against a naive replay that shares no code with the ledger but the event's own words."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.ledger.ask.types import Agreement, BundleOf, ImageOf, Selector, WhereAnswer
from bundlekeeper.ledger.ask.where import history, summary, where
from bundlekeeper.ledger.event.events import Event, EventKind, Seen
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.rebuild import rebuild
from bundlekeeper.model.inventory.types import Place
from tests.kits import ledger_history as shared
from tests.kits.ledger_history import (
    DAY0,
    HOLM_3,
    MEMORY,
    ON,
    at,
    everything,
    learn,
    naive,
    read,
    records,
    shown,
    site_zones,
    stated,
)
from tests.kits.postgres import cluster, each_ledger

own_ledger = shared.ledger  # for what was known when: a shared ledger learns by its database's clock
__all__ = ["cluster", "each_ledger"]


@pytest.fixture
def ledger(each_ledger: Ledger) -> Ledger:
    return each_ledger


# The naive replay: every event in order, plain dictionaries, nothing kept. It follows the trade's table of methods.


@settings(max_examples=120)
@given(records(), st.lists(st.integers(1, 14), max_size=3), ON)
def test_where_on_any_day_is_what_a_naive_replay_gives(events: list[Event], cuts: list[int], on: Any) -> None:
    """ "And on a given past day?" Events that are learned late or undone give right answers for past days."""
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l.sqlite"), write=True) as ledger:
        learn(ledger, events, cuts)
        wanted = {name: shown(component) for name, component in naive(events, on, site_zones(events)).items()}
        assert everything(ledger, on) == wanted


@settings(max_examples=80)
@given(records(), st.lists(st.integers(1, 14), max_size=3), ON, st.integers(0, 4))
def test_what_was_known_is_what_had_been_learned(events: list[Event], cuts: list[int], on: Any, batch: int) -> None:
    """And what did *we know* on that day?"""
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l.sqlite"), write=True) as ledger:
        learn(ledger, events, cuts)
        known = DAY0 + timedelta(days=10 + batch, hours=1)
        bounds = [*sorted({min(c, len(events)) for c in cuts} - {len(events)}), len(events)]
        then = events[: bounds[min(batch, len(bounds) - 1)]]
        wanted = {n: shown(p) for n, p in naive(then, known if on is None else on, site_zones(then)).items()}
        assert everything(ledger, on, known) == wanted


@settings(max_examples=80)
@given(records(), st.lists(st.integers(1, 14), max_size=3))
def test_what_is_derived_can_be_made_again(events: list[Event], cuts: list[int]) -> None:
    """It can be deleted and made again, and comes out equal."""

    def derived(ledger: Ledger) -> list[Any]:
        image = "(SELECT version || ' ' || bundle FROM image WHERE id = %s)"
        banks = ", ".join(
            f"CASE {b} WHEN 0 THEN 0 ELSE {image % b} END"
            for b in ("active", "pending", "spare", "staged", "tried", "ran_before", "recorded")
        )
        rest = "component, since, until, site, domain, chassis, slot, present, active_event, pending_event, spare_event"
        more = "staged_event, tried_event, ran_before_event, boot_file_count, boot_files_known, recorded_event, differs"
        more += ", unread, seen_event, last, healthy, failed_event, no_answer_event, name, tags"
        boot_files = f"SELECT component, {image % 'image'}, since, until, event FROM boot_files ORDER BY 1, 2, 3"  # noqa: S608  (our own words)
        state = f"SELECT {rest}, {more}, {banks} FROM state ORDER BY 1, 2"  # noqa: S608
        queries = (state, boot_files, "SELECT component, tag FROM tagged ORDER BY 1, 2")
        return [ledger.connection.execute(query).fetchall() for query in queries]

    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l.sqlite"), write=True) as ledger:
        learn(ledger, events, cuts)
        before = derived(ledger)
        assert rebuild(ledger).differing == 0
        assert derived(ledger) == before


# Examples, one to each sentence.


def only(ledger: Ledger, **more: Any) -> WhereAnswer:
    """The one answer about everything."""
    (answer,) = where(ledger, Selector(gone=True), **more)
    return answer


def test_a_year_of_one_bios(ledger: Ledger) -> None:
    """Staged is not active; activation switches the banks; a reading confirms; a day answers for itself."""
    stage = stated(EventKind.STAGED, 2, "6.1", bank="pending", family="blade", bundle="6.1.0", sha256="a" * 64)
    ledger.record(
        [read(0, "6.0", spare="5.4"), stage, stated(EventKind.ACTIVATED, 5, "6.1", done_by="bo"), read(9, "6.1")], DAY0
    )
    first = only(ledger, on=date(2026, 1, 2))
    assert (first.active, first.pending) != (None, None)
    assert first.active is not None
    assert (first.active.version, first.active.since.what, first.pending) == ("6.0", EventKind.OBSERVED, None)
    assert first.agreement is Agreement.ONLY_READ
    staged = only(ledger, on=date(2026, 1, 3))
    assert staged.pending is not None
    assert (staged.pending.version, staged.pending.sha256, staged.spare) == ("6.1", "a" * 64, staged.spare)
    assert staged.spare is not None
    assert staged.spare.version == ""  # the bank not running is pending or spare, never both
    running = only(ledger, on=date(2026, 1, 6))
    assert running.active is not None
    assert running.spare is not None
    assert (running.active.version, running.active.bundle, running.active.since.done_by) == ("6.1", "6.1.0", "bo")
    assert (running.spare.version, running.pending and running.pending.version) == ("6.0", "")
    assert running.agreement is Agreement.NOT_READ_BACK
    now = only(ledger)
    assert now.agreement is Agreement.AGREES
    assert now.active == running.active
    assert now.seen is not None
    assert now.seen.at == at(9)


@pytest.mark.parametrize(("bank", "other"), [("spare", "pending"), ("pending", "spare")])
@pytest.mark.parametrize(("known", "after"), [(None, None), ("", ""), ("5.4", "")])
def test_staging_changes_of_the_other_bank_only_what_follows(
    ledger: Ledger, bank: str, other: str, known: str | None, after: str | None
) -> None:
    """ "The bank not running is *pending* or *spare*, never both": it was overwritten; and unknown stays unknown."""
    more: dict[str, Any] = {} if known is None else {other: known}
    ledger.record([read(0, "6.0", **more), stated(EventKind.STAGED, 1, "6.1", bank=bank)], DAY0)
    answer = only(ledger)
    written, beside = getattr(answer, bank), getattr(answer, other)
    assert written.version == "6.1"
    assert (None if beside is None else beside.version) == after


def test_one_image_in_both_banks_is_switched_like_any_other(ledger: Ledger) -> None:
    """After it the other bank has the old copy; after a failure it is staged as before."""
    both = read(0, "6.1", pending="6.1", spare="")
    ledger.record([both, stated(EventKind.ACTIVATED, 1, "6.1", method="two-bank")], DAY0)
    after = only(ledger)
    assert after.spare is not None
    assert after.pending is not None
    assert after.staged is not None
    assert (after.spare.version, after.pending.version, after.staged.version) == ("6.1", "", "")
    ledger.record([stated(EventKind.FAILED, 2, "6.1", method="two-bank", reason="no power")], DAY0)
    failed = only(ledger)
    assert failed.staged is not None
    assert (failed.staged.version, failed.agreement) == ("6.1", Agreement.ACTIVATION_FAILED)


def test_nothing_is_staged_where_the_other_bank_was_read_as_empty(ledger: Ledger) -> None:
    ledger.record([read(0, "6.1", pending="", spare="", method="two-bank")], DAY0)
    staged = only(ledger).staged
    assert staged is not None
    assert staged.version == ""


def test_no_boot_file_is_previous_while_nobody_read_which_one_runs(ledger: Ledger) -> None:
    files: dict[str, Any] = {"bank": "boot_files", "method": "boot-file", "kind": "fabric-switch"}
    ledger.record([stated(EventKind.STAGED, 0, "6.0", **files), stated(EventKind.STAGED, 1, "6.1", **files)], DAY0)
    assert only(ledger).previous is None


def test_now_knows_nothing_of_later_days(ledger: Ledger) -> None:
    """Another store's clock was years ahead, and its record was merged: it is not how things stand today."""
    clock = DAY0 + timedelta(days=3)
    ledger.record([read(0, "6.0"), stated(EventKind.STAGED, 1, "6.1", bank="pending")], DAY0)
    before = where(ledger, Selector(), clock=clock)
    move = read(90, "6.0", place=Place("skerry", "skerry-a", "1", "1"))
    ledger.record([read(80, "6.0"), stated(EventKind.ACTIVATED, 90, "6.1"), move], DAY0)
    assert where(ledger, Selector(), clock=clock) == before
    assert where(ledger, Selector(site="skerry"), clock=clock) == []
    assert [g.values for g in summary(ledger, ["site", "active"], clock=clock)] == [("holm", "6.0")]
    assert [g.values for g in summary(ledger, ["site", "active"], clock=clock + timedelta(days=99))] == [
        ("skerry", "6.0")
    ]
    later = only(ledger, on=(DAY0 + timedelta(days=85)).date())
    assert later.seen is not None
    assert later.seen.at == at(80)


def test_a_reading_of_a_later_day_that_changes_nothing_is_passed_over_too(ledger: Ledger) -> None:
    """What was last read is what was read by now."""
    ledger.record([read(0, "6.0"), read(80, "6.0")], DAY0)
    answer = only(ledger, clock=DAY0 + timedelta(days=3))
    assert answer.seen is not None
    assert answer.seen.at == at(0)
    assert only(ledger, clock=DAY0).seen == answer.seen  # a day that has begun counts


def test_two_bundles_with_one_version_are_never_mixed(ledger: Ledger) -> None:
    """Of equal versions the one that runs gives the bundle; a digest never goes over to another bundle's image."""
    switch = {"component": "F1", "kind": "fabric-switch", "model": "Reed-40", "family": "infrastructure"}
    first = stated(EventKind.ACTIVATED, 1, "5.4", bundle="9.0", sha256="a" * 64, **switch)
    second = stated(EventKind.ACTIVATED, 1, "5.4", bundle="9.1", order=1, **switch)
    third = stated(EventKind.STAGED, 1, "5.4", order=2, bank="pending", **{**switch, "family": ""})
    ledger.record([third, first, second], DAY0)
    answer = only(ledger)
    assert answer.active is not None
    assert answer.pending is not None
    assert [(b.bundle, b.sha256) for b in (answer.active, answer.pending, *answer.boot_files)] == [("9.1", "")] * 3


def test_ledger_and_reading_disagree_until_one_of_them_speaks_again(ledger: Ledger) -> None:
    """ "disagreement between ledger and inventory" — also after a second reading of the same."""
    ledger.record([stated(EventKind.ACTIVATED, 1, "6.1"), read(2, "6.0"), read(3, "6.0")], DAY0)
    assert only(ledger).agreement is Agreement.DIFFERS
    assert only(ledger, on=date(2026, 1, 2)).agreement is Agreement.ONLY_RECORDED
    answer = only(ledger)
    assert answer.active is not None
    assert answer.recorded is not None
    assert (answer.active.version, answer.recorded.version) == ("6.0", "6.1")
    ledger.record([stated(EventKind.ACTIVATED, 4, "6.1")], DAY0)
    assert only(ledger).agreement is Agreement.NOT_READ_BACK


def test_two_activations_of_one_day_keep_their_order(ledger: Ledger) -> None:
    """Forward and back in one window, each known by its day only."""
    for version in ("6.1", "6.0", "6.1", "6.0"):
        recorded = ledger.record([stated(EventKind.ACTIVATED, 3, version)], DAY0, arrange=True)
    assert recorded.new == 0  # the third and fourth state again what is there already
    answer = only(ledger)
    assert answer.active is not None
    assert answer.active.version == "6.0"


def test_a_wrong_entry_is_undone_and_counts_again(own_ledger: Ledger) -> None:
    """Wrong entries are undone by a later event, never changed."""
    wrong = stated(EventKind.ACTIVATED, 3, "6.1")
    own_ledger.record([read(0, "6.0"), wrong], DAY0)
    fix = Event(what=EventKind.UNDONE, at=at(5), reported_by="ada", undoes=wrong.id(), reason="it was the neighbour")
    own_ledger.record([fix], DAY0 + timedelta(days=5))
    answer = only(own_ledger, on=date(2026, 1, 4))
    assert answer.active is not None
    assert answer.active.version == "6.0"
    believed = only(own_ledger, known=date(2026, 1, 4))
    assert believed.active is not None
    assert believed.active.version == "6.1"
    again = own_ledger.record([wrong], DAY0 + timedelta(days=6), arrange=True)  # recorded again after it was undone
    assert again.new == 1
    answer = only(own_ledger)
    assert answer.active is not None
    assert answer.active.version == "6.1"
    assert [(e.event.what, e.void) for e in history(own_ledger, "B7")] == [
        (EventKind.OBSERVED, False), (EventKind.ACTIVATED, True), (EventKind.ACTIVATED, False),
    ]  # fmt: skip


def test_one_event_undoes_a_whole_reading(ledger: Ledger) -> None:
    """The wrong file was loaded: a hundred thousand observations go with it."""
    reading = Event(
        what=EventKind.INVENTORY, at=at(2), reported_by="list", document="d" * 64, scope=(("holm", "holm-a", "bios"),)
    )
    rows = [read(2, "5.4", component=f"B{i}", reading=reading.id()) for i in range(20)]
    ledger.record([read(0, "6.0"), reading, *rows], DAY0)
    assert {a.active and a.active.version for a in where(ledger, Selector())} == {"5.4"}
    fix = Event(what=EventKind.UNDONE, at=at(5), reported_by="ada", undoes=reading.id(), reason="the other site's list")
    ledger.record([fix], DAY0)
    answer = only(ledger)
    assert answer.active is not None
    assert (answer.component, answer.active.version) == ("B7", "6.0")


def test_a_bare_date_ends_with_the_sites_own_day(ledger: Ledger) -> None:
    """A bare date means the end of that day in the site's zone."""
    events = []
    for site, zone in (("holm", "+10:00"), ("skerry", "-11:00")):
        scope = ((site, "a", "bios"),)
        events.append(
            Event(what=EventKind.INVENTORY, at=at(0, None, zone), reported_by="list", document="d" * 64, scope=scope)
        )
        place = Place(site, "a")
        events.append(stated(EventKind.OBSERVED, 0, component=site, place=place, seen=Seen("6.0")))
        events.append(replace(stated(EventKind.ACTIVATED, 0, "6.1", component=site), at=at(2, 20)))
    ledger.record(events, DAY0)
    third = {a.component: a.active and a.active.version for a in where(ledger, Selector(), on=date(2026, 1, 3))}
    assert third == {"holm": "6.0", "skerry": "6.1"}  # 20:00Z is the 4th at +10:00 and still the 3rd at -11:00
    fourth = {a.component: a.active and a.active.version for a in where(ledger, Selector(), on=date(2026, 1, 4))}
    assert fourth == {"holm": "6.1", "skerry": "6.1"}


def test_everything_can_be_selected(ledger: Ledger) -> None:
    """By component selector, by bundle, image version or SHA-256."""
    switch = {
        "component": "F1",
        "kind": "fabric-switch",
        "model": "Reed-40",
        "place": Place("skerry", "skerry-a", "", ""),
    }
    adapter = {"component": "MB4-7:network-adapter:1", "kind": "network-adapter", "model": "MX", "parent": "MB4-7"}
    ledger.record(
        [
            read(0, "6.0", parent="MB4-7"),
            stated(EventKind.STAGED, 1, "6.1", bank="pending", family="blade", bundle="6.1.0", sha256="a" * 64),
            read(0, "3.2", **{**adapter, "place": Place("holm", "holm-a", "1", "3/1")}),
            read(0, "6.0", boot_files=("6.0", "5.4"), **switch),
        ],
        DAY0,
    )

    def found(**more: Any) -> list[str]:
        return [a.component for a in where(ledger, Selector(**more))]

    adapter_key = "MB4-7:network-adapter:1"
    assert (
        found(site="skerry")
        == found(domain="skerry-a")
        == found(kind="fabric-switch")
        == found(model="Reed-40")
        == ["F1"]
    )
    assert found(slot="3") == found(parent="MB4-7") == found(chassis="1") == ["B7", adapter_key]
    assert found(slot="3/1") == [adapter_key]
    assert found(component="B7") == found(sha256="a" * 64) == found(version="6.1") == ["B7"]
    assert found(version="6.0") == ["B7", "F1"]
    assert found(version="5.4") == found(version="5.4", bank="boot_files") == ["F1"]
    assert (
        found(version="5.4", bank="active") == found(site="nowhere") == found(site="holm", kind="fabric-switch") == []
    )
    blade = BundleOf("blade", "6.1.0", (ImageOf("bios", ("Tern-4",), "6.1"),))
    boot_files = BundleOf("infrastructure", "6.0.1", (ImageOf("fabric-switch", ("Reed-40",), "6.0"),))
    other = BundleOf("blade", "6.0.1", (ImageOf("bios", ("Tern-2",), "6.0"),))
    (answer,) = where(ledger, Selector(bundles=(blade, other)))
    assert (answer.component, answer.bundles) == ("B7", (blade,))
    (answer,) = where(ledger, Selector(bundles=(boot_files, other)))
    assert (answer.component, answer.bundles) == ("F1", (boot_files,))
    assert found(site=("holm", "skerry")) == found(kind=("bios", "network-adapter", "fabric-switch"))
    assert found(site=("holm", "skerry")) == ["B7", adapter_key, "F1"]
    assert found(domain=("holm-a", "skerry-a"), kind=("bios", "disk")) == found(sha256=("a" * 64, "b" * 64)) == ["B7"]
    assert found(slot=("3/1", "5")) == [adapter_key]
    assert found(version=("6.1", "5.4"), bank=("active", "boot_files")) == ["F1"]
    assert found(version=("6.1", "5.4"), bank=("pending", "boot_files")) == ["B7", "F1"]
    assert found(site=("nowhere", "skerry")) == ["F1"]  # what was never recorded takes nothing away from the others
    assert found(site=("nowhere", "neither")) == []
    for bank in ("drawer", ("active", "drawer")):
        with pytest.raises(InputError):
            found(bank=bank)


def test_of_two_files_of_one_version_the_other_is_not_counted(ledger: Ledger) -> None:
    """By the digest that events name; where they name none, by what the file is for."""
    common = {"family": "blade", "bundle": "6.1.0"}
    ledger.record(
        [
            stated(EventKind.ACTIVATED, 1, "6.1", component="B1", sha256="a" * 64, **common),
            stated(EventKind.ACTIVATED, 1, "6.1", component="B2", sha256="b" * 64, **common),
            stated(EventKind.ACTIVATED, 1, "6.1", component="B3", **common),
            stated(EventKind.ACTIVATED, 1, "6.1", component="B4", model="Tern-2", **common),
        ],
        DAY0,
    )
    managed = BundleOf("blade", "6.1.0", (ImageOf("bios", ("Tern-4",), "6.1"),), "a" * 64)
    assert [a.component for a in where(ledger, Selector(bundles=(managed,)))] == ["B1", "B3"]
    assert len(where(ledger, Selector(bundles=(replace(managed, sha256=""),)))) == 4


def test_a_moved_component_keeps_its_history(ledger: Ledger) -> None:
    """Known serial elsewhere = moved, and its history follows."""
    ledger.record([read(0, "6.0"), read(4, "6.0", place=Place("skerry", "skerry-a", "2", "5"))], DAY0)
    assert [a.component for a in where(ledger, Selector(site="holm"))] == []
    (then,) = where(ledger, Selector(site="holm"), on=date(2026, 1, 3))
    (now,) = where(ledger, Selector(site="skerry"))
    assert then.active == now.active


def test_a_part_that_is_gone_is_answered_when_it_is_asked_for(ledger: Ledger) -> None:
    """By its serial, or with `gone`."""
    elsewhere = stated(EventKind.GONE, 4, place=Place("skerry", "skerry-a"))
    ledger.record([read(0, "6.0"), stated(EventKind.GONE, 3), read(5, None), elsewhere], DAY0)
    assert len(where(ledger, Selector(site="holm"))) == 1  # another domain's list says nothing of it
    ledger.record([stated(EventKind.GONE, 6, place=HOLM_3)], DAY0)
    assert where(ledger, Selector(site="holm")) == []
    (answer,) = where(ledger, Selector(component="B7"))
    assert not answer.present
    assert [a.component for a in where(ledger, Selector(site="holm"), on=date(2026, 1, 3))] == ["B7"]


def test_of_several_parts_that_are_gone_none_is_counted_or_listed(ledger: Ledger) -> None:
    """Neither the first nor the second, nor is anything behind them left out; with `gone` all are."""
    names = ("B1", "B2", "B3", "B7")
    ledger.record([read(0, "6.0", component=name) for name in names], DAY0)
    ledger.record([stated(EventKind.GONE, 1, component=name, place=HOLM_3) for name in ("B1", "B2")], DAY0)
    for day in (None, date(2026, 1, 9)):
        assert [a.component for a in where(ledger, Selector(site="holm"), on=day)] == ["B3", "B7"]
        assert [a.component for a in where(ledger, Selector(site="holm", gone=True), on=day)] == [*names]
        assert [g.count for g in summary(ledger, ("kind",), Selector(site="holm"), on=day)] == [2]
        assert [g.count for g in summary(ledger, ("kind",), Selector(site="holm", gone=True), on=day)] == [4]


def test_a_summary_counts_what_the_answers_list(ledger: Ledger) -> None:
    """Grouped by the database now, by the answers on another day; both are the same."""
    components = [
        read(0, f"6.{i % 3}" if i % 4 else None, component=f"C{i}", model=f"M{i % 2}", pending="") for i in range(24)
    ]
    ledger.record(
        [*components, stated(EventKind.ACTIVATED, 1, "7.0", component="C1"), read(2, "6.1", component="C1")], DAY0
    )
    keys = ("site", "kind", "model", "active", "pending")
    now = summary(ledger, keys, Selector(domain="holm-a"))
    assert now == summary(ledger, keys, Selector(domain="holm-a"), on=date(2026, 1, 9))
    assert sum(g.count for g in now) == 24
    assert sum(g.differs for g in now) == 1
    assert ("holm", "bios", "M0", None, "") in {g.values for g in now}
    assert summary(ledger, (), Selector(domain="holm-a"))[0].count == 24
    assert summary(ledger, ("site",), Selector(site="nowhere")) == []
    both, one = Selector(site=("holm", "skerry"), model=("M0", "M1")), Selector(model="M1")
    assert summary(ledger, ("kind",), both)[0].count == 23  # C1 has another model since day 1
    assert summary(ledger, ("kind",), one) == summary(ledger, ("kind",), one, on=date(2026, 1, 9))
    (group,) = summary(ledger, ("active",), Selector(version="6.2"))
    assert group.values == ("6.2",)
    with pytest.raises(InputError):
        summary(ledger, ("colour",))


@pytest.mark.fault(83)
def test_a_clock_that_was_set_back_hides_nothing(own_ledger: Ledger) -> None:
    """Ordered by sequence; time is shown, doubted."""
    own_ledger.record([read(0, "6.0")], DAY0 + timedelta(days=5))
    own_ledger.record([stated(EventKind.ACTIVATED, 1, "6.1")], DAY0 + timedelta(days=3))
    believed = only(own_ledger, known=DAY0 + timedelta(days=4))
    assert believed.active is not None
    assert believed.active.version == "6.1"
    assert where(own_ledger, Selector(), known=DAY0 + timedelta(days=2)) == []


def plans(own_ledger: Ledger, selector: Selector, **more: Any) -> list[str]:
    """How SQLite goes about the table of states for a question."""
    statements: list[str] = []
    own_ledger.connection.set_trace_callback(statements.append)
    where(own_ledger, selector, **more)
    own_ledger.connection.set_trace_callback(None)
    asked = [s for s in statements if " FROM state " in s]
    return [
        row[3] for s in asked for row in own_ledger.connection.execute(f"EXPLAIN QUERY PLAN {s}") if " state" in row[3]
    ]


@pytest.mark.parametrize("on", [None, date(2026, 1, 1)])
def test_questions_use_the_index_that_is_meant_for_them(ledger: Ledger, on: date | None) -> None:
    """A question that reads the whole table is right and slow; SQLite's own plan shows it (sqlite.org/eqp.html)."""
    ledger.record([read(0, "6.0", parent="MB4-7", name="host-holm-14", tags=("4711",)), read(1, "6.0")], DAY0)
    wanted = {
        Selector(component="B7", site="holm"): ["PRIMARY KEY (component=?"],
        Selector(parent="MB4-7"): ["INDEX state_parent", "COVERING INDEX state_parent_too"],
        Selector(site="holm"): ["state_site (site=? AND until", "COVERING INDEX state_place (until"],
        Selector(site=("holm", "skerry"), kind="bios"): [
            "INDEX state_site (site=? AND until",
            "COVERING INDEX state_place (until",
        ],
        Selector(domain="holm-a", kind="bios"): [
            "INDEX state_place (until",
            "COVERING INDEX state_site (site>?)",  # site by site
            "COVERING INDEX state_site (site>?)",
            "COVERING INDEX state_site (site=? AND until",
            "COVERING INDEX state_site (site=? AND until",
        ],
        Selector(version="6.0", site="holm"): [
            line
            for bank in ("active", "pending", "spare", "staged")
            for line in (f"INDEX state_{bank} (", "COVERING INDEX state_place (until")
        ],
        Selector(sha256="0"): [],
        Selector(staged=True): ["INDEX state_staged (", "COVERING INDEX state_staged_too"],
        Selector(name="host-holm-14"): ["INDEX state_name (", "COVERING INDEX state_name_too"],
        Selector(tag="4711"): ["PRIMARY KEY (component=?"],
    }
    for selector, indexes in wanted.items():
        found = plans(ledger, selector, on=on)
        assert len(found) == len(indexes), found
        for line, index in zip(found, indexes, strict=True):
            assert index in line, (selector, found)
