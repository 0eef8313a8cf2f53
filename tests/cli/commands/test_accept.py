"""`accept`: an entry in store.toml, and what it does to the answers of every command."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.conftest import Keeper

#: When the tests began; by the time of a command it may be the day before.
TODAY = datetime.now(UTC).date()
SOON = (TODAY + timedelta(days=30)).isoformat()
WORDS = ("--reason", "agreed with lee", "--reported-by", "kim", "--until", SOON)


def test_an_accepted_finding_is_a_note_that_says_so_in_each_command(office: Keeper, tmp_path: Path) -> None:
    """By route, by gaps, and in text; and with all accepted the status is 0."""
    before = office("route", "holm-b", "--to", "6.1", "--json").json["findings"]
    assert {f["level"] for f in before if f["code"] == "no-way-back"} == {"warning"}
    assert office("accept", "no-way-back", "holm-b/*", *WORDS).status == 0
    after = office("route", "holm-b", "--to", "6.1", "--json").json["findings"]
    assert [f["code"] for f in after] == [f["code"] for f in before]
    assert {(f["level"], f["accepted"]) for f in after if f["code"] == "no-way-back"} == {
        ("note", f"by kim until {SOON}: agreed with lee")
    }
    together = office("route", "holm-a", "holm-b", "--to", "6.1", "--json").json["findings"]
    levels = {f["subject"].split(":")[0].split()[0]: f["level"] for f in together if f["code"] == "no-way-back"}
    assert levels.get("holm-b", "note") == "note"
    assert "findings accepted" in office("route", "holm-b", "--to", "6.1").out
    assert office("gaps", "holm-b", "--to", "6.1").status == 1
    for code in office("gaps", "holm-b", "--to", "6.1", "--json").codes:
        office("accept", code, "holm-b/*", *WORDS)
    left = [f for f in office("gaps", "holm-b", "--to", "6.1", "--json").json["findings"] if f["level"] != "note"]
    assert [f for f in left if f["subject"].startswith("holm-b")] == []


def test_a_site_is_its_domains_and_a_name_that_nothing_has_is_refused(office: Keeper) -> None:
    assert "policy-shared" in office("gaps", "holm-b", "--to", "6.1", "--json").codes
    assert office("accept", "policy-shared", "holm/*", *WORDS).status == 0
    found = office("gaps", "holm-b", "--to", "6.1", "--json").json["findings"]
    assert {row["level"] for row in found if row["code"] == "policy-shared"} == {"note"}
    unknown = office("accept", "no-policy", "hlom/*", *WORDS)
    assert (unknown.status, "did you mean holm?" in unknown.err) == (2, True)
    of_lint = office("accept", "own-copy", "holm/*", *WORDS)
    assert (of_lint.status, "reported by `manifest lint`" in of_lint.err) == (2, True)


def test_the_store_toml_keeps_every_other_byte(office: Keeper, tmp_path: Path) -> None:
    """Comments and layout too; the same code and subject again changes the entry that is there."""
    file = tmp_path / "store" / "store.toml"
    mine = '# ours\nstore = 1\nmax_verification_age   = "90d" # a quarter\n'
    file.write_text(mine)
    assert office("accept", "no-policy", "holm/*", *WORDS).status == 0
    assert file.read_text().startswith(mine)
    again = office(
        "accept",
        "no-policy",
        "holm/*",
        "--reason",
        "still so",
        "--until",
        (TODAY + timedelta(days=1)).isoformat(),
        "--json",
    ).json
    assert again["replaced"] is True
    assert file.read_text().count("[[accepted]]") == 1
    assert office("store", "list", "--json").json["accepted"][0]["reason"] == "still so"
    assert file.stat().st_mode & 0o777 == 0o644


def test_what_cannot_be_accepted_changes_nothing(office: Keeper, tmp_path: Path) -> None:
    """A wrong day, a wrong code, no end, everything, bytes: 2, and no store.toml."""
    for words in (
        ("altered", "a.bin", *WORDS),
        ("no-way-bakc", "holm/*", *WORDS),
        ("no-way-back", "*", *WORDS),
        ("no-way-back", "holm/*", "--reason", "r"),
        ("no-way-back", "holm/*", "--reason", "r", "--until", "soon"),
        ("no-way-back", "holm/*", "--reason", "r", "--until", (TODAY - timedelta(days=1)).isoformat()),
        ("no-way-back", "holm/*", "--reason", "r", "--until", (TODAY + timedelta(days=400)).isoformat()),
    ):
        refused = office("accept", *words)
        assert (refused.status, "hint:" in refused.err) == (2, True), (words, refused.err)
    assert not (tmp_path / "store" / "store.toml").exists()


def test_an_ended_acceptance_counts_no_more_and_status_says_so(office: Keeper, tmp_path: Path) -> None:
    entry = '[[accepted]]\ncode = "no-way-back"\nsubject = "holm-b/*"\nreason = "r"\nreported_by = "kim"\n'
    dates = f"on = {TODAY - timedelta(days=40)}\nuntil = {TODAY - timedelta(days=1)}\n"
    (tmp_path / "store" / "store.toml").write_text(f"store = 1\n{entry}{dates}")
    found = office("route", "holm-b", "--to", "6.1", "--json").json["findings"]
    assert {f["level"] for f in found if f["code"] == "no-way-back"} == {"warning"}
    assert "acceptance-ended" in office("status", "--json").codes
