"""`route` of several domains: one timeline of rounds, by real processes; and steps that have no windows."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Keeper, World
from tests.kits.route_commands import HARBOUR

TEXT = HARBOUR.read_text("utf-8")


@pytest.fixture
def parts(tmp_path: Path) -> Path:
    """Where a test writes an inventory of its own."""
    return tmp_path / "components.toml"


def test_domains_apart_are_never_in_one_round_and_each_way_is_that_of_the_domain_alone(office: Keeper) -> None:
    """ "`[[separate_windows]]`: `domains` never in one window"; holm-a and holm-b are apart in the office."""
    found = office("route", "--all", "--to", "6.1", "--window", "4h", "--json").json
    assert found["schema"] == "bundlekeeper.route/1"
    rounds = [{w["domain"] for w in row["windows"]} for row in found["rounds"]]
    assert not [r for r in rounds if {"holm-a", "holm-b"} <= r]
    assert any({"skerry-a"} < r for r in rounds)
    assert found["timeline"]["makespan"] == sum(row["minutes"] for row in found["rounds"])
    assert found["timeline"]["makespan"] >= found["timeline"]["lower_bound"] > 0
    assert [row["domain"] for row in found["routes"]] == ["holm-a", "holm-b", "skerry-a"]
    told = [place for row in found["routes"] for place in row["findings"]]
    assert sorted(set(told)) == list(range(len(found["findings"])))  # each is somebody's, once
    numbers = sorted(w["number"] for row in found["routes"] for w in row["windows"])
    assert numbers == sorted(w["number"] for row in found["rounds"] for w in row["windows"])
    alone = office("route", "holm-b", "--to", "6.1", "--window", "4h", "--json").json
    mine = found["routes"][1]
    assert mine["route"] == alone["route"]
    assert mine["ways_back"] == alone["ways_back"]
    assert len(mine["windows"]) == len(alone["timeline"]["windows"])
    assert [f["code"] for f in alone["findings"]] == [found["findings"][n]["code"] for n in mine["findings"]]


def test_the_text_has_80_columns_rounds_domains_and_where_the_detail_is(office: Keeper) -> None:
    words = ("route", "holm-b", "skerry-a", "--to", "6.1", "--window", "4h")
    short = office(*words, env={"COLUMNS": "80"})
    rows = [*short.out.splitlines(), *short.err.splitlines()]
    assert (len(rows) <= 24, max(map(len, rows)) <= 80) == (True, True), short.out
    assert re.fullmatch(r"marram to 6.1: 2 ready; \d+ warnings", rows[0])
    assert re.fullmatch(r"skerry-a +4 +\d+ +[-0-9, ]+ +0 +\d+  ready", short.out.splitlines()[-1])
    assert rows[-1] in {f"next: bundlekeeper route {name} --to 6.1 --window 4h" for name in ("holm-b", "skerry-a")}
    done = office(*words, "--details")
    assert done.status == 1
    lines = done.out.splitlines()
    assert re.fullmatch(r"2 domains to 6.1: 2 ready; \d+ warnings", lines[0])
    assert lines[-1].startswith("skerry-a")
    assert [x for x in lines if len(x) > 80 and not re.match(r"(error|warning|note|  hint)\b", x)] == []
    flat = done.out.replace("\n  ", " ")
    assert re.search(r"^round \d: \d+ minutes: holm-b \(step \d\), skerry-a \(step \d\)$", flat, re.M)
    assert re.search(r"^skerry-a: 4 steps, \d+ server restarts; rounds [-0-9, ]+", flat, re.M)
    assert "bundlekeeper route holm-b --to 6.1 --window 240" in flat
    assert "come before this plan" in flat
    site = office("route", "--site", "holm", "--to", "6.1", "--json").json
    assert [row["domain"] for row in site["routes"]] == ["holm-a", "holm-b"]


def test_a_domain_without_a_way_is_told_and_stops_no_other(office: Keeper, parts: Path) -> None:
    parts.write_text(re.sub(r'(serial = "HOLMB-IO1"\n(?:.+\n)*?active = )"[^"]+"', r'\1"golden-image"', TEXT))
    assert "golden-image" in parts.read_text()
    words = ("route", "--all", "--to", "6.1", "--inventory", parts)
    done = office(*words)
    assert done.status == 1
    assert done.out.startswith("marram to 6.1: 2 ready, 1 without a route; ")
    assert re.search(r"(?m)^holm-b +- +- +- .* none; nearest: ", done.out)
    assert re.search(r"(?m)^( !!|  !) [a-z-]+( \(\d+\))?: holm-b", done.out)
    assert done.err.startswith("next: bundlekeeper route holm-b --to 6.1 ")
    assert "holm-b: no allowed route was found" in office(*words, "--details").out
    found = office("route", "--all", "--to", "6.1", "--inventory", parts, "--json").json
    assert [row["route"] is None for row in found["routes"]] == [False, True, False]
    assert found["routes"][1]["no_route"]["domain"] == "holm-b"
    assert not found["routes"][1]["windows"]
    assert [row["ready"] for row in found["routes"]] == [True, False, True]
    assert found["counts"] == {"ready": 2, "without a route": 1}


def test_a_route_with_errors_is_never_called_ready_and_says_what_it_does_not_reach(office: Keeper, parts: Path) -> None:
    """A component whose model no bundle has an image for stays as it is: its server does not reach the release."""
    own = r'(parent = "HOLMB-B1"\nkind = "management-controller"\nmodel = )"Tern-\d"'
    parts.write_text(re.sub(own, r'\1"Tern-9"', TEXT))
    assert "Tern-9" in parts.read_text()
    alone = office("route", "holm-b", "--to", "6.1", "--inventory", parts)
    assert re.match(r"holm-b from 5.4.10 to 6.1: route with \d+ errors?, .*, not ready\n", alone.out)
    assert "; reaches 6.1 except 1 server\n" in alone.out
    assert alone.err.endswith("--details\n")  # no file is proposed of what is not ready
    whole = office("route", "holm-b", "--to", "6.1", "--inventory", parts, "--details").out
    assert re.match(r"holm-b to 6.1: route with \d+ errors?, .*, not ready\n", whole)
    many = office("route", "--all", "--to", "6.1", "--inventory", parts)
    assert re.match(r"marram to 6.1: 2 ready, 1 with errors; \d errors?, ", many.out)
    assert re.search(r"(?m)^holm-b .* with errors$", many.out)
    found = office("route", "holm-b", "--to", "6.1", "--inventory", parts, "--json").json
    assert (found["ready"], found["route"]["not_reached"]) == (False, [["server", "HOLMB-B1"]])


def test_a_policy_that_would_take_servers_down_keeps_a_route_from_being_ready(office: Keeper, parts: Path) -> None:
    policy = r'(name = "shared"\nversions = )\{.+\}(\napplies = )"[^"]+"'
    parts.write_text(re.sub(policy, r'\1{ blade = "5.4.2", rack = "5.4.2" }\2"immediate"', TEXT))
    found = office("route", "holm-b", "--to", "6.1", "--inventory", parts, "--json").json
    low = [row for row in found["findings"] if row["code"] == "downgrade"]
    assert {(row["level"], row["subject"]) for row in low} == {("error", "policy shared")}
    assert found["ready"] is False
    lines = office("gaps", "holm-b", "--to", "6.1", "--inventory", parts).out.splitlines()
    assert any(line.startswith(" !! downgrade: policy shared: names blade 5.4.2, and 5.4.10 runs") for line in lines)


def test_wrong_words_are_told_with_what_is_meant_and_all_names_at_once(office: Keeper, tmp_path: Path) -> None:
    several: tuple[tuple[tuple[object, ...], tuple[str, ...]], ...] = (
        (("holm-a", "holm-z", "skerry-b"), ("holm-z: the inventory has no", "did you mean 'skerry-a'?")),
        (("holm-a", "holm-a"), ("holm-a: named more than once",)),
        (("--all", "holm-a"), ("name a domain (or several, or --all, or --site) and a release",)),
        (("--all", "--site", "holm"), ("name a domain",)),
        (("--site", "skery"), ("did you mean 'skerry'?",)),
        (("--all", "--out", tmp_path / "x.json"), ("a route's file is about one domain",)),
        (("--all", "--window", "1"), ("minutes, which no window has", "--window ")),
        (("--all", "--window", "-5"), ("not a span of time",)),
        (("--all", "--window", "1e9"), ("not a span of time",)),
        (("--all", "--window", "30m4h"), ("not a span of time", "4h30m")),
        (("--all", "--window", "99999w"), ("a window is at most",)),
        (("--all", "--per-cluster", "100001"), ("servers of one cluster",)),
    )
    for words, meant in several:
        done = office("route", *words, "--to", "6.1")
        assert done.status == 2, words
        assert [m for m in meant if m not in done.err] == [], done.err
    done = office("route", "--all", "--to", "6.1\x1b[31m\n\u202e")
    assert (done.status, "\x1b" in done.err, "did you mean '6.1'" in done.err or "one of" in done.err) == (
        2,
        False,
        True,
    )
    done = office("report", "--runbook", "holm-a", "holm-b", "--to", "6.1", "--out", tmp_path / "x.html")
    assert (done.status, "a run-book is about one domain" in done.err) == (2, True)
    assert list(tmp_path.glob("x.*")) == []


def test_a_document_of_several_domains_is_refused_where_one_domain_s_is_wanted(office: Keeper, tmp_path: Path) -> None:
    file = tmp_path / "many.json"
    file.write_text(office("route", "--all", "--to", "6.1", "--json").out)
    done = office("plan", "check", file)
    assert (done.status, "a timeline of several domains" in done.err) == (2, True)


def test_what_no_domain_holds_and_whom_nobody_is_kept_apart_from_is_told(office: Keeper, parts: Path) -> None:
    spare = '\n[[component]]\nkind = "disk"\nsite = "holm"\ndomain = "-"\nserial = "X1"\nactive = "1"\n'
    parts.write_text(f'{TEXT}{spare}\n[[separate_windows]]\ndomains = ["holm-a", "skerry-b"]\n')
    done = office("route", "--all", "--to", "6.1", "--inventory", parts, "--details")
    assert "not-checked: 1 component: in no domain, so in no route" in done.out
    assert (
        "separate_windows holm-a, skerry-b: the inventory has no domain skerry-b: no domain is kept out of its windows"
        in done.out
    )
    assert "did you mean 'skerry-a'?" in done.out
    head = 'inventory = 1\nread_at = 2026-11-20\nzone = "UTC"\n'
    for text, message in ((head, "no component is listed"), (head + spare, "the inventory lists no domain")):
        parts.write_text(text)
        done = office("route", "--all", "--to", "6.1", "--inventory", parts)
        assert (done.status, message in done.err) == (2, True)


def test_a_server_in_three_clusters_or_in_an_unknown_one_is_worked_on_alone_and_told(
    office: Keeper, parts: Path
) -> None:
    """ "a server without a cluster alone, with a finding" (issue 5, point 4)"""
    found = re.findall(r'(?m)^cluster = "[^"]*"$', TEXT)
    assert len(found) > 10
    names = iter([f'cluster = "c{n % 3}"' for n in range(len(found))])
    for text in (re.sub(r"(?m)^cluster = .*$", lambda _: next(names), TEXT), re.sub(r"(?m)^cluster = .*\n", "", TEXT)):
        parts.write_text(text)
        found_ = office("route", "--all", "--to", "6.1", "--inventory", parts, "--json").json
        assert [f for f in found_["findings"] if "so each is worked on alone" in f["message"]]
        assert [f for f in found_["findings"] if f["message"].startswith("servers whose cluster is not known: while")]
        for row in found_["rounds"]:  # no other domain's servers in a round with such a one
            steps = {r["domain"]: r["route"]["steps"] for r in found_["routes"]}
            servers = [w for w in row["windows"] if steps[w["domain"]][w["step"] - 1]["what"] == "servers"]
            assert len(servers) < 2, row


def test_steps_without_windows_stand_in_text_json_and_run_book_with_status_1(
    office: Keeper, world: World, parts: Path, tmp_path: Path
) -> None:
    """A policy shared by many servers … that applies at once restarts them all when it is edited."""
    parts.write_text(re.sub(r"(?m)^applies = .*$", 'applies = "immediate"', TEXT))
    words = ("holm-a", "--to", "6.1", "--inventory", parts)
    done = office("route", *words)
    assert done.status == 1
    assert ", not ready" in done.out
    assert re.search(r"(?m)^ +2 +- +\d+ servers to 6.1 +-  not planned", done.out)
    assert "steps without windows, so not in that time: 2" in done.out
    assert " !! policy-immediate: policy " in done.out
    done = office("route", *words, "--details")
    assert re.search(r"^  step 2: servers +\|\.+ not planned \.+\|$", done.out, re.M)
    assert "steps without windows, so not in those minutes: 2" in done.out
    assert "error: policy-immediate: policy " in done.out
    found: dict[str, Any] = office("route", *words, "--json").json
    assert found["timeline"]["unplanned"] == [["holm-a", 2]]
    for name in ("book.txt", "book.html"):
        assert office("report", "--runbook", *words, "--out", tmp_path / name).status == 1
        page = (tmp_path / name).read_text("utf-8")
        assert "STOP: do not begin" in page
        assert "it could not be planned: the errors and gaps say why" in re.sub(r"\s+", " ", page)
    several = office("route", "--all", "--to", "6.1", "--inventory", parts, "--json")
    assert several.status == 1
    assert ["holm-a", 2] in several.json["timeline"]["unplanned"]
    assert several.json["routes"][0]["unplanned"] == [2]
    done = office("route", "--all", "--to", "6.1", "--inventory", parts, "--details")
    assert "  step 2: no windows: what forbids them" in done.out
    assert "error: policy-immediate: holm-a" in done.out


def test_a_way_back_that_no_rule_allows_is_told(office: Keeper) -> None:
    """The list is planning's own (planning/route/way_back.py): it asks the rules, too."""
    found = office("route", "holm-a", "--to", "6.1", "--json")
    told = [f for f in found.json["findings"] if f["code"] == "no-way-back"]
    assert [f for f in told if f["message"].startswith("no rule says that going back to 6.0.1 is allowed")]
    assert json.dumps(told).count("step 2") >= 1
