"""`route` on the command line: real processes, its file and back, plans made by hand, wrong words, narrow terminals."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.conftest import Keeper, World
from tests.kits.route_commands import HARBOUR, PLAN, ROOT, WORDS


def test_the_text_is_ascii_of_80_columns_with_bars_rules_ways_back_and_the_caution(office: Keeper) -> None:
    done = office(*WORDS, "--window", "240", "--details")
    assert done.status < 2, done.err
    lines = done.out.splitlines()
    assert done.out.isascii()
    # findings and hints are one line each by the house's rule, so that they can be grepped
    assert [x for x in lines if len(x) > 80 and not re.match(r"(error|warning|note|  hint)\b", x)] == []
    assert any(re.search(r"\|.*#.*\|", line) for line in lines)
    for words in ("down: half, minutes", "rule: ", "back: ", "destroyed by", "cannot take less than"):
        assert words in done.out
    assert "come before this plan" in done.out.replace("\n  ", " ")


def test_the_answer_stands_on_one_screen_and_the_rest_under_details(office: Keeper) -> None:
    words = ("route", "holm-b", "--to", "6.1", "--window", "4h")
    done = office(*words, env={"COLUMNS": "80"})
    lines = [*done.out.splitlines(), *done.err.splitlines()]
    assert (len(lines) <= 24, max(map(len, lines)) <= 80) == (True, True), done.out
    assert lines[0].startswith("holm-b from 5.4.10 to 6.1: route with ")
    assert re.fullmatch(r"4 steps, 4 windows, \d h \d+ min, 10 restarts; reaches 6\.1 on all \d+ components", lines[1])
    rows = [line for line in lines if re.match(r" +[1-4] +[1-4]  (infrastructure|5 servers) to 6", line)]
    assert len(rows) == 4
    assert [row.split()[-2:] == ["not", "allowed"] for row in rows] == [True] * 4, "no rule lets it go back"
    assert re.search(r"(?m)^  ! no-way-back \(\d+\): step 1: ", done.out)
    assert lines[-1] == f"next: bundlekeeper {' '.join(words)} --out holm-b.json"
    assert "rule: " not in done.out
    whole = office(*words, "--details")
    assert whole.out.count("warning: no-way-back: ") > 1


def test_what_a_step_takes_down_and_how_it_gets_back_is_told_by_the_worst(office: Keeper, tmp_path: Path) -> None:
    """One half of each pair and no more; servers as many as may go at a time; a kind without a way back is counted."""
    done = office(*WORDS)
    assert "one half of 3 pairs" in done.out
    assert " 3 servers " in done.out
    assert " 5 servers  " in office(*WORDS, "--per-cluster", "2").out
    (parts := tmp_path / "components.toml").write_text(re.sub(r"(?m)^pair = .*\n", "", HARBOUR.read_text("utf-8")))
    alone = office(*WORDS, "--inventory", parts).out
    assert "one half" not in alone


def test_the_json_has_the_whole_plan_and_what_it_was_made_from(office: Keeper, world: World) -> None:
    """ "A route stores the digests of the manifest and inventory it was made from" (issue 5, point 7)"""
    found = office(*WORDS, "--window", "4h", "--json").json
    assert found["schema"] == "bundlekeeper.route/1"
    assert found["timeline"]["makespan"] >= found["timeline"]["lower_bound"] > 0
    assert found["options"] == {"window_minutes": 240, "per_cluster": 1, "parallel": [], "windows": []}
    inputs = found["inputs"]
    assert inputs["manifest"]["sha256"] == hashlib.sha256(world.manifest.read_bytes()).hexdigest()
    head = office("ledger", "verify", "--json").json["chain"]
    assert inputs["ledger"]["events"] == head["events"]
    assert inputs["inventory"]["components"]["HOLMA-IO1"]["active"] == "6.0.1"
    assert not any(key.startswith("SKERRY") for key in inputs["inventory"]["components"])
    assert len(found["ways_back"]) >= len(found["route"]["steps"])


def test_out_and_check_go_round_and_what_changed_since_is_named(office: Keeper, world: World, tmp_path: Path) -> None:
    """ "one whose inputs changed is refused, naming the differences" (issue 5, point 7)"""
    file = tmp_path / "route.json"
    done = office(*WORDS, "--out", file)
    digest = hashlib.sha256(file.read_bytes()).hexdigest()
    assert f"sha256: {digest}" in done.out
    assert office(*WORDS, "--out", file).status == 2  # nothing is written over
    stored = office("plan", "check", file, "--json")
    assert stored.status == 0, stored.out
    assert (stored.json["sha256"], stored.json["compared"]) == (digest, "no allowed route is shorter")
    assert office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0", "--plan", digest).status == 0
    assert office("activate", "HOLMA-IO1", "--plan", digest).status == 0
    assert office("plan", "check", file).status == 0, "what the plan brings is no difference"
    assert office("observe", "HOLMA-IO1", "--active", "5.4.2").status == 0
    refused = office("plan", "check", file)
    assert refused.status == 4
    assert "input-changed: io-module HOLMA-IO1: it runs 5.4.2, was 6.0.1" in refused.err
    refused = office("plan", "check", file, "--json")
    assert set(refused.codes) == {"input-changed"}


def test_a_changed_manifest_is_named_key_by_key(office: Keeper, world: World, tmp_path: Path) -> None:
    file = tmp_path / "route.json"
    assert office(*WORDS, "--out", file, "--manifest", world.manifest).status < 2
    text = world.manifest.read_text("utf-8")
    for old, new, named in (
        ("sequence = 14", "sequence = 15", "its sequence is 15, was 14"),
        ('to = ">=6.1"', 'to = ">=6.1.0"', "jump to >=6.1.0 from >=6.0 (release notes 6.1, table 2) is new"),
        (
            "minutes = 10 }",
            "minutes = 11 }",
            "bundle infrastructure 5.4.10 marram-infrastructure-5.4.10.bin was changed",
        ),
        ("# The Marram", "# the Marram", "its bytes are different, but its bundles, releases"),
    ):
        assert old in text
        other = tmp_path / "other.toml"
        other.write_text(text.replace(old, new, 1), encoding="utf-8")
        refused = office("plan", "check", file, "--manifest", other)
        assert refused.status == 4, refused.out
        assert named in refused.err


TAMPERED: tuple[tuple[Callable[[dict[str, Any]], object], int], ...] = (
    (lambda d: d["route"]["steps"].reverse(), 1),
    (lambda d: d["route"]["steps"].pop(), 1),
    (lambda d: d["route"]["steps"][1]["changes"][0].update(sha256="0" * 64), 2),
    (lambda d: d["route"]["steps"][0].update(what="all"), 2),
    (lambda d: d["route"].pop("steps"), 2),
    (lambda d: d.update(route=None), 2),
    (lambda d: d["inputs"]["manifest"].update(pieces=3), 2),
    (lambda d: d["options"].update(per_cluster=0), 2),
    (lambda d: d.update(schema="bundlekeeper.route/9"), 2),
)


def test_a_route_that_was_tampered_with_is_judged_or_refused_never_believed(office: Keeper, tmp_path: Path) -> None:
    file = tmp_path / "route.json"
    assert office(*WORDS, "--out", file).status < 2
    text = file.read_text()
    for number, (tamper, status) in enumerate(TAMPERED):
        document = json.loads(text)
        tamper(document)
        file.write_text(json.dumps(document))
        done = office("plan", "check", file)
        assert done.status == status, (number, done.out + done.err)


def test_a_plan_made_by_hand_is_judged_and_compared(office: Keeper, tmp_path: Path) -> None:
    """ "hold a plan made by hand against the same rules" (issue 5, point 7)"""
    file = tmp_path / "plan.toml"
    file.write_text(PLAN)
    done = office("plan", "check", file, "--json")
    assert (done.status, done.codes) == (0, [])
    assert "a shorter route exists: 2 steps instead of 3" in done.json["compared"]
    blocks = PLAN.split("[[step]]")
    file.write_text("[[step]]".join([blocks[0], blocks[2] + "\n", blocks[1] + "\n", blocks[3]]))
    done = office("plan", "check", file)
    assert done.status == 1
    assert "error: mix-refused: step 1: infrastructure before servers going up" in done.out
    assert "(common practice: order)" in done.out
    same = {"plan": 1, "domain": "holm-a", "release": "6.1"}
    steps = [{"what": "infrastructure", "version": "6.1.0"}, {"what": "servers", "release": "6.1"}]
    file.write_text(json.dumps({**same, "step": steps}))
    done = office("plan", "check", file)
    assert done.status == 0, done.out
    assert "no allowed route is shorter" in done.out


def test_a_plan_that_cannot_be_read_tells_every_problem_with_its_place(office: Keeper, tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN.replace("domain", "domian").replace('"blade"', '"blades"').replace('"6.1"', "6.1"))
    done = office("plan", "check", file, "--json", cwd=tmp_path)
    assert done.status == 2
    places = [f["where"].rsplit(":", 2)[1:] for f in done.json["findings"]]
    assert places == [["1", "1"], ["2", "1"], ["3", "11"], ["10", "8"], ["15", "11"]]
    file.write_text(PLAN.replace("6.1.0", "6.1.O").replace('"holm-a"', '"holm-c"'))
    done = office("plan", "check", file)
    assert (done.status, "did you mean 'holm-" in done.err) == (2, True)


def test_wrong_words_are_told_with_what_is_meant(office: Keeper) -> None:
    for words, meant in (
        (("route", "holm-z", "--to", "6.1"), "did you mean 'holm-"),
        (("route", "holm-a", "--to", "6,1"), "did you mean '6.1'"),
        (("route", "holm-a"), "--to RELEASE"),
        ((*WORDS, "--window", "10m"), "--window"),
        ((*WORDS, "--window", "0"), "4h, 90m"),
        ((*WORDS, "--window", "soon"), "90m"),
        ((*WORDS, "--per-cluster", "0"), "per-cluster"),
        ((*WORDS, "--json", "--out", "-"), "--out FILE"),
        (("plan", "check", "nowhere.toml"), "bundlekeeper plan list"),
    ):
        done = office(*words)
        assert done.status == 2, words
        assert meant in done.err + done.out


def test_where_there_is_no_way_the_file_says_so_and_the_nearest_release(office: Keeper, tmp_path: Path) -> None:
    file = tmp_path / "route.json"
    done = office("route", "holm-a", "--to", "5.4", "--out", file)
    assert done.status == 1
    assert done.out.startswith("holm-a to 5.4: no route\n")
    assert "no allowed route was found" in office("route", "holm-a", "--to", "5.4", "--details").out
    assert "nearest release that can be reached: 6.0" in done.out
    assert json.loads(file.read_text())["route"] is None
    assert office("plan", "check", file).status == 2


def test_a_stop_that_does_not_fit_is_told_by_the_route_and_in_its_run_book(office: Keeper, tmp_path: Path) -> None:
    """ "Space, per partition and per half of a pair, at each step" (issue 5, point 2): gaps asks about one jump."""
    small = tmp_path / "small.toml"
    text = HARBOUR.read_text("utf-8")
    part = text.index('component = "HOLMB-SW2"\nname = "images"')
    small.write_text(text[:part] + text[part:].replace("900_000_000", "640_000", 1), encoding="utf-8")
    done = office("route", "holm-b", "--to", "6.1", "--inventory", small, "--json")
    short = [f for f in done.json["findings"] if f["code"] == "not-enough-space"]
    assert [(f["level"], f["subject"]) for f in short] == [("error", "step 3: fabric-switch HOLMB-SW2")]
    page = tmp_path / "book.txt"
    assert office("report", "--runbook", "holm-b", "--to", "6.1", "--inventory", small, "--out", page).status == 1
    assert "not-enough-space" in page.read_text("utf-8")


def test_a_server_is_left_out_with_a_reason_in_every_output(office: Keeper, tmp_path: Path) -> None:
    """By its place or serial; the plan's file keeps it, and it is found again when the plan is checked or printed."""
    file, page = tmp_path / "plan.json", tmp_path / "book.txt"
    done = office(*WORDS, "--without", "1/2", "--reason", "powered off", "--out", file)
    told = "server holm/holm-a/1/2: left out, so the release is not reached for it: powered off"
    assert (done.status, f"falls-short: {told}" in done.out) == (1, True), done.out
    assert "  4 servers to 6.1" in done.out
    assert "; reaches 6.1 except 1 server\n" in done.out
    assert told in office(*WORDS, "--without", "HOLMA-B2", "--reason", "powered off", "--details").out
    left = [{"server": "HOLMA-B2", "name": "holm/holm-a/1/2", "reason": "powered off", "lacks": []}]
    assert json.loads(file.read_text())["route"]["left_out"] == left
    stored = office("plan", "check", file, "--json")
    assert (stored.codes, stored.json["compared"]) == (["falls-short"], "no allowed route is shorter")
    assert stored.json["route"]["left_out"] == left
    assert stored.json["route"]["not_reached"] == [["server", "HOLMA-B2"]]
    assert office("report", "--runbook", "--plan", file, "--out", page).status == 1
    assert told in " ".join(page.read_text("utf-8").split())
    many = office(
        "route", "holm-a", "holm-b", "--to", "6.0", "--without", "holm/holm-b/1/2", "--reason", "sold", "--json"
    )
    assert [len((row["route"] or row["no_route"])["left_out"]) for row in many.json["routes"]] == [0, 1]
    document = json.loads(file.read_text())
    document["route"]["left_out"] = []
    file.write_text(json.dumps(document))
    assert "falls-short" in office("plan", "check", file).out, "nobody says any more why it stays"


def test_a_domain_with_a_server_left_out_is_never_called_at_the_release(office: Keeper) -> None:
    """Where nothing else is left to do there are no steps, and the release is still not reached for that server."""
    to, without = ("--to", "6.0"), ("--without", "1/2", "--reason", "sold")
    assert "runs that release already" in office("route", "holm-a", *to).out
    office("observe", "HOLMA-B2:bios", "--active", "5.4.10")
    missed = "reaches 6.0 except 1 server\n"
    short = office("route", "holm-a", *to, *without).out
    whole = office("route", "holm-a", *to, *without, "--details").out
    many = office("route", "holm-a", "holm-b", *to, "--without", "holm/holm-a/1/2", "--reason", "sold", "--json").json
    assert (f"\n0 steps; {missed}" in short, f"\n{missed}" in whole, "already" in short + whole) == (True, True, False)
    assert (many["routes"][0]["route"]["steps"], "at the release" in many["counts"]) == ([], False)


def test_wrong_words_about_what_is_left_out(office: Keeper) -> None:
    for words, meant in (
        (("--without", "1/2"), "one reason for each"),
        (("--reason", "sold"), "--without SERVER"),
        (("--without", "1/2", "--reason", " "), "--without SERVER"),
        (("--without", "1/2", "--reason", "a", "--reason", "b"), "1 server left out, and 2 reasons"),
        (("--without", "1/77", "--reason", "sold"), "no server of what is planned has that name"),
        (("--without", "1/2", "--without", "HOLMA-B2", "--reason", "sold"), "left out more than once"),
    ):
        done = office(*WORDS, *words)
        assert (done.status, meant in done.err) == (2, True), (words, done.err)


def test_an_image_file_goes_in_a_row_and_a_box_of_its_own(office: Keeper, tmp_path: Path) -> None:
    """The row of the step that needs it, the action before the image is brought, and its box in the run-book."""
    small, page = tmp_path / "small.toml", tmp_path / "book.txt"
    text = HARBOUR.read_text("utf-8")
    for after, old, new in (
        ('serial = "HOLMB-SW2"', 'boot_files = ["5.4.10"]', 'boot_files = ["5.4.2", "5.4.10"]\npending = "-"'),
        ('component = "HOLMB-SW2"\nname = "images"', "900_000_000", "640_000"),
    ):
        start = text.index(after)
        text = text[:start] + text[start:].replace(old, new, 1)
    small.write_text(text, encoding="utf-8")
    words = ("holm-b", "--to", "6.1", "--inventory", small, "--manifest", ROOT / "manifests" / "marram-14.toml")
    done = office("route", *words)
    rows = [re.split(r"  +", line.strip()) for line in done.out.splitlines() if re.match(r" +3 +3 ", line)]
    assert [row[2] for row in rows] == ["remove 5.4.2 on HOLMB-SW2", "infrastructure to 6.1.0"], done.out
    assert rows[0][3:] == ["0:02", "nothing", "none"]
    steps = office("route", *words, "--json").json["route"]["steps"]
    assert [[row["version"] for row in step["removals"]] for step in steps] == [[], [], ["5.4.2"], []]
    office("report", "--runbook", *words, "--out", page)
    book = page.read_text("utf-8")
    box = book.index("remove an image file, so that there is space:")
    assert re.search(r"\n  - \d:\d\d \(~2 min\): $", book[:box])
    assert "fabric-switch HOLMB-SW2 6.1.0" in book[box:]


def test_a_server_that_is_there_already_is_not_left_out(office: Keeper) -> None:
    words = ("route", "holm-a", "--to", "6.0", "--without", "1/2", "--reason", "off", "--json")
    for component in ("HOLMA-B2:bios", "HOLMA-B2:management-controller"):
        assert office("observe", component, "--active", "5.4.10").status < 2
    before = office(*words).json
    assert [row["name"] for row in before["route"]["left_out"]] == ["holm/holm-a/1/2"]
    for component in ("HOLMA-B2:bios", "HOLMA-B2:management-controller"):
        assert office("observe", component, "--active", "6.0.1").status < 2
    after = office(*words).json
    assert after["route"]["left_out"] == []
    assert [row["message"] for row in after["findings"] if row["code"] == "no-change"] == [
        "it is at 6.0 already: nothing is left out"
    ]


def test_a_run_book_leaves_out_what_its_route_does(office: Keeper) -> None:
    words = ("--to", "6.1", "--without", "1/2", "--reason", "sold on Monday")
    book = office("report", "--runbook", "holm-a", *words, "--out", "-")
    assert "left out, so the release is not reached for it: sold on Monday" in " ".join(book.out.split())
    assert office("report", "--runbook", "holm-a", "--to", "6.0", "--without", "1/2", "--out", "-").status == 2
