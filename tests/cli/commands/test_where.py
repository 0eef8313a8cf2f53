"""`where` as a person reads it: one server with its name, many in a line each, and what is open of them."""

from __future__ import annotations

import html
import os
import re
import shlex
from pathlib import Path

import pytest

from tests.conftest import Keeper
from tests.kits.ledger_commands import MARRAM

_WIDE = {**os.environ, "COLUMNS": "80"}
_SHEET = """\
# read_at = 2026-11-21
# zone = UTC
name,tags,site,domain,chassis,slot,kind,model,parent,active,staged
host-holm-14,asset 4711,holm,holm-a,1,3,bios,Tern-4,HOLMA-B3,6.0.1,6.1.0
host-holm-14,asset 4711,holm,holm-a,1,3,management-controller,Tern-4,HOLMA-B3,6.0.1,-
"""


@pytest.fixture
def office(keeper: Keeper, tmp_path: Path) -> Keeper:
    """The office's inventory, and a sheet that knows a host's name, its asset number and what is staged on it."""
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(_SHEET)
    for file in (MARRAM, sheet):
        ran = keeper("inventory", "load", file, "--reported-by", "kim")
        assert ran.status == 0, ran.err
    return keeper


def cells(line: str) -> list[str]:
    return re.split(r" {2,}", line)


def test_one_server_has_a_head_a_line_for_each_component_a_verdict_and_what_is_next(office: Keeper) -> None:
    ran = office("where", "host-holm-14", env=_WIDE)
    head, titles, _, bios, controller, verdict = ran.out.splitlines()
    assert head == "host-holm-14 · asset 4711 · holm/holm-a/1/3 · Tern-4 · serial HOLMA-B3"
    assert titles.split() == ["component", "active", "staged", "previous", "since", "reported", "evidence"]
    assert bios.split() == ["bios", "6.0.1", "6.1.0", "?", "2026-11-20", "kim", "reading"]
    assert controller.split() == ["management-controller", "6.0.1", "-", "5.4.2", "2026-11-20", "kim", "reading"]
    assert verdict == "2 components; 1 staged; only read: no activation was recorded"
    assert ran.err == "next: bundlekeeper where host-holm-14 --history\n"
    assert all(len(line) <= 80 for line in ran.out.splitlines())


def test_many_are_a_line_each_of_80_columns_with_counts(office: Keeper) -> None:
    """Whatever the bank: an I/O module's image is staged in its spare bank, a switch's is a boot file."""
    modules = office("stage", "holm-a", "--kind", "io-module", "--version", "6.1.0", "--reported-by", "kim")
    assert modules.status == 0, modules.err
    ran = office("where", "holm-a", env=_WIDE)
    lines = ran.out.splitlines()
    assert lines[0].split() == ["name", "or", "place", "component", "active", "staged", "previous"]
    assert ["host-holm-14", "bios", "6.0.1", "6.1.0", "?"] in [line.split() for line in lines]
    assert ["holm/holm-a/1/io-1", "io-module", "6.0.1", "6.1.0", "-"] in [line.split() for line in lines]
    assert lines[-1].startswith("19 components; 3 staged")
    assert ran.err == "next: bundlekeeper where holm-a --staged\n"
    staged = office("where", "--staged", "--site", "holm")
    assert [cells(line)[0] for line in staged.out.splitlines()[1:-1]] == [
        "host-holm-14", "holm/holm-a/1/io-1", "holm/holm-a/1/io-2",
    ]  # fmt: skip
    assert "where --site holm --staged --details" in staged.err


def test_what_is_open_is_counted_and_named_at_its_component(office: Keeper) -> None:
    """Not read back, failed, no answer: each in words; nothing of it is called agreement."""
    for words in (
        ("stage", "holm-a", "--kind", "io-module", "--version", "6.1.0"),
        ("activate", "HOLMA-IO1", "--version", "6.1.0"),
        ("activate", "HOLMA-IO2", "--version", "6.1.0", "--failed", "it came back with 6.0.1"),
        ("observe", "HOLMA-CC1", "--no-answer"),
    ):
        ran = office(*words, "--reported-by", "kim")
        assert ran.status == 0, ran.err
    out = office("where", "holm-a").out
    assert out.splitlines()[-1] == (
        "19 components; 2 staged; 1 activated and not read back; 1 with a failed activation; 1 without an answer"
    )
    records = {cells(line)[0]: cells(line)[-1] for line in out.splitlines()[1:-1]}
    assert records["holm/holm-a/1/io-1"] == "not-read-back"
    assert records["holm/holm-a/1/io-2"] == "activation-failed"
    assert records["holm/holm-a/1/cc-1"] == "no-answer"
    manifest = MARRAM.with_name("marram-14.toml")
    gaps = office("gaps", "holm-a", "--to", "6.1", "--manifest", manifest, "--json").json["findings"]
    found = {(f["code"], f["level"], f["subject"]) for f in gaps}
    assert {row for row in found if row[0] in ("not-read-back", "activation-failed", "no-answer")} == {
        ("not-read-back", "warning", "holm/holm-a/1/io-1 io-module"),
        ("activation-failed", "error", "holm/holm-a/1/io-2 io-module"),
        ("no-answer", "warning", "holm/holm-a/1/cc-1 chassis-controller"),
    }
    one = office("where", "HOLMA-IO1").out
    assert "1 activated and not read back" in one
    assert "agree" not in one
    assert office("observe", "HOLMA-IO1", "--active", "6.1.0", "--reported-by", "lee").status == 0
    read_back = office("where", "HOLMA-IO1").out
    assert "reading and ledger agree" in read_back
    assert "  read back\n" in read_back


def test_banks_record_and_tags_are_behind_details(office: Keeper) -> None:
    short = office("where", "HOLMA-B3").out
    assert "pending" not in short
    titles = office("where", "HOLMA-B3", "--details").out.splitlines()[1].split()
    assert {"pending", "spare", "boot_files", "record", "tags", "healthy", "name"} <= set(titles)


@pytest.mark.parametrize("words", [("--json",), ("--count", "kind"), ("--history",), ("--picture",)])
def test_details_are_refused_where_they_would_add_nothing(office: Keeper, words: tuple[str, ...]) -> None:
    ran = office("where", "holm-a", "--details", *words)
    assert ran.status == 2
    assert "--details adds columns" in ran.out + ran.err or "--history shows everything" in ran.err


def test_the_commands_of_a_run_book_in_their_order_leave_evidence_that_agrees(keeper: Keeper, tmp_path: Path) -> None:
    """What takes effect is recorded before it is read back: after the last window nothing is `not-read-back`."""
    assert keeper("tour", tmp_path / "tour").status == 0
    words = {"cwd": tmp_path / "tour", "env": {**os.environ, "BUNDLEKEEPER_STORE": str(tmp_path / "tour/store")}}
    plan = keeper("route", "skerry-a", "--to", "6.1", "--out", "plan.json", **words)
    assert plan.status < 2, plan.err
    book = keeper("report", "--runbook", "--plan", "plan.json", "--out", "book.html", **words)
    assert book.status < 2, book.err
    page = (tmp_path / "tour/book.html").read_text("utf-8")
    digest = re.search(r"PLAN=([0-9a-f]{64})", re.sub("<[^>]+>", "", page))
    assert digest is not None
    commands = _commands_of(page)
    assert {command[0] for command in commands} == {"stage", "activate", "observe"}
    for command in commands:
        plain = [digest[1] if word == "$PLAN" else word for word in command]
        ran = keeper(*plain, "--reported-by", "kim", **words)
        assert ran.status == 0, (plain, ran.err)
    answers = keeper("where", "skerry-a", "--json", **words).json["components"]
    assert {answer["agreement"] for answer in answers} == {"agrees"}
    assert {answer["active"]["version"] for answer in answers} == {"6.1.0", "2026-2"}
    assert not any(answer["staged"] and answer["staged"]["version"] for answer in answers)
    server = keeper("where", "SKERRYA-B1", **words).out
    assert server.splitlines()[-1] == "at blade 6.1.0; reading and ledger agree"


def _commands_of(page: str) -> list[list[str]]:
    """The recording commands of a page, in their order, as their words; a shell's loop is gone through."""
    found: list[list[str]] = []
    for code in re.findall(r"<code>(.*?)</code>", page, re.DOTALL):
        line = " ".join(html.unescape(re.sub(r"<[^>]+>", "", code)).split())
        if not re.match(r"(for name in .*; do )?bundlekeeper (stage|activate|observe) ", line):
            continue
        loop = re.fullmatch(r"for name in (.*); do (.*); done", line)
        for name in shlex.split(loop[1]) if loop else [""]:
            for command in (loop[2] if loop else line).split(" && "):
                words = shlex.split(command.replace('"$name"', shlex.quote(name)))
                found.append(words[1:])
    return found


def test_a_server_is_named_as_people_call_it_on_pages_and_left_out_by_its_name(office: Keeper, tmp_path: Path) -> None:
    """On the site's page with what is staged and what is previous apart, in the run-book's sheet, and by --without."""
    page = office("report", "--site", "holm", "--out", "site.txt", cwd=tmp_path)
    assert page.status == 0, page.err
    text = " ".join((tmp_path / "site.txt").read_text("utf-8").split())
    assert "1 components with an image that is staged and not activated" in text
    assert "HOLMA-B3:bios, host-holm-14, asset 4711: 6.0.1" in text
    assert "! staged, not activated: 6.1.0" in text
    assert "HOLMA-B3:management-controller, host-holm-14, asset 4711: 6.0.1 since" in text
    assert "; previous 5.4.2" in text
    words = ("holm-a", "--to", "6.1", "--manifest", MARRAM.with_name("marram-14.toml"))
    office("report", "--runbook", *words, "--out", "book.txt", cwd=tmp_path)
    assert "1/3 host-holm-14" in " ".join((tmp_path / "book.txt").read_text("utf-8").split())
    left = office("route", *words, "--without", "host-holm-14", "--reason", "it is being replaced", "--json")
    assert left.status < 2, left.err
    assert "it is being replaced" in str(left.json)
    near = office("route", *words, "--without", "host-holm-41", "--reason", "it is being replaced")
    assert near.status == 2
    assert "host-holm-14" in near.err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--staged", "6.1.0", "--removed"), "was not read"),
        (("--healthy", "maybe"), "--healthy"),
        (("--no-answer", "--active", "6.0.1"), "was not read"),
        ((), "nothing was observed"),
    ],
)
def test_what_cannot_be_observed_together_is_refused(office: Keeper, words: tuple[str, ...], message: str) -> None:
    ran = office("observe", "HOLMA-IO1", *words, "--reported-by", "kim")
    assert ran.status == 2
    assert message in ran.err


def test_what_was_read_as_staged_is_recorded_and_taken_back(office: Keeper) -> None:
    """In which bank it is nobody has read; and an activation rests on that reading."""
    ran = office("observe", "HOLMA-IO1", "--staged", "6.1.0", "--reported-by", "kim")
    assert (ran.status, "staged 6.1.0" in ran.out) == (0, True), ran.err
    answer = office("where", "HOLMA-IO1", "--json").json["components"][0]
    assert (answer["staged"]["version"], answer["spare"]) == ("6.1.0", None)
    assert office("observe", "HOLMA-IO2", "--staged", "-", "--reported-by", "kim").status == 0
    assert office("where", "HOLMA-IO2", "--json").json["components"][0]["staged"]["version"] == ""
    failed = office("activate", "HOLMA-IO1", "--failed", "it did not start", "--reported-by", "kim")
    assert failed.status == 0, failed.err
    batch = re.search(r"recorded as batch (\w+)", ran.out)
    assert batch is not None
    refused = office("ledger", "undo", batch[1], "--reason", "another component")
    assert refused.status == 4
    assert "1 later entry rests on it" in refused.err
    assert "failed 6.1.0 on HOLMA-IO1" in refused.err
    done = office("ledger", "undo", batch[1], "--reason", "another component", "--with-later")
    assert done.status == 0, done.err
    after = office("where", "HOLMA-IO1", "--json").json["components"][0]
    assert (after["staged"], after["spare"]["version"], after["agreement"]) == (None, "5.4.2", "only-read")
