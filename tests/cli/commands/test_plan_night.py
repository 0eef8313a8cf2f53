"""A plan that is followed to its end as a user does: kept, recorded window by window, seen, tried again, closed."""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

from bundlekeeper.store.contents.kept_plans import name_of
from tests.conftest import Keeper
from tests.kits.plan_commands import NAME, fill_in, kept_plan, outcomes, progress
from tests.kits.sure import some


def _record(office: Keeper, tmp_path: Path, window: int, *words: str, but: str = "", seen: str = "") -> int:
    """Record a window with a sheet in which every component is seen as expected, `but` one, which is seen otherwise."""
    sheet = tmp_path / f"window-{window}.csv"
    sheet.unlink(missing_ok=True)
    assert office("plan", "record", NAME, "--window", str(window), "--template", sheet).status == 0
    fill_in(sheet, lambda component, expected: seen if component == but else expected)
    done = office("plan", "record", NAME, "--window", str(window), "--sheet", sheet, *words)
    assert done.status < 2, done.out + done.err
    return done.status


def test_the_whole_night(office: Keeper, tmp_path: Path) -> None:
    """ "150 typed commands a night become one" (issue 16, point 2)"""
    digest = kept_plan(office, tmp_path)
    before = progress(office)
    first, *others = [row["number"] for row in before["windows"]]
    assert (before["next_window"], before["counts"]["done"], len(others) > 1) == (first, 0, True)
    broken = next(row["key"] for row in before["windows"][0]["components"] if row["kind"] == "io-module")

    # Window 1: one component fails.
    assert (
        _record(office, tmp_path, first, "--yes", "--except", f"{broken}=failed:dead", but=broken, seen="5.4.10") == 1
    )
    after = progress(office)
    assert Counter(outcomes(office, first).values())["failed"] == 1
    assert outcomes(office, first)[broken] == "failed"
    assert [choice["name"] for choice in after["choices"]] == ["again", "without", "back"]
    assert after["choices"][0]["allowed"] is True
    assert "input-changed" not in [finding["code"] for finding in after["findings"]]
    checked = office("plan", "check", NAME, "--json")
    assert checked.status == 0, checked.out
    text = office("plan", "progress", NAME).out
    assert f"{broken} to " in text
    assert "what now about" in text

    # Try again, then every other window.
    assert _record(office, tmp_path, first, "--yes") == 0
    for number in some(others):
        assert progress(office)["next_window"] == number
        assert office("plan", "check", NAME).status == 0
        assert _record(office, tmp_path, number, "--yes") == 0
    end = progress(office)
    assert (end["next_window"], end["choices"], end["counts"]["left"]) == (None, [], 0)
    assert end["counts"]["done"] == sum(len(row["components"]) for row in end["windows"])
    assert office("where", broken, "--json").json["components"][0]["active"]["version"] == "6.1.0"

    closed = office("plan", "close", NAME, "--reason", "done", "--reported-by", "lee")
    assert (closed.status, "closed " in closed.out) == (0, True)
    assert office("plan", "progress", NAME).err.endswith("next: bundlekeeper plan list\n")
    assert office("plan", "list").out == "no open plan is kept (closed ones: --all)\n"
    assert digest[:8] in office("plan", "list", "--all").out
    again = office("plan", "record", NAME, "--window", str(first), "--yes")
    assert (again.status, "closed" in again.err) == (2, True)


def test_one_window_is_one_batch_with_the_plan_and_its_change(office: Keeper, tmp_path: Path) -> None:
    digest = kept_plan(office, tmp_path)
    done = office("plan", "record", NAME, "--window", "1", "--yes", "--json")
    assert done.status == 0, done.out + done.err
    assert set(outcomes(office, 1).values()) == {"not-read-back"}
    key = next(iter(outcomes(office, 1)))
    events = office("where", key, "--history", "--json").json
    rows = [row for row in str(events).split("{") if digest in row]
    assert rows, "the entries bear the digest"
    taken_back = office("ledger", "undo", done.json["batch"], "--reason", "another night")
    assert taken_back.status == 0, taken_back.out + taken_back.err
    assert set(outcomes(office, 1).values()) == {"left"}


def test_what_nobody_agreed_to_is_not_recorded(office: Keeper, tmp_path: Path) -> None:
    kept_plan(office, tmp_path)
    head = office("ledger", "verify", "--json").json["chain"]
    done = office("plan", "record", NAME, "--window", "1")
    assert (done.status, "--yes" in done.err) == (4, True)
    for words in (["X=failed:dead"], ["=failed:dead"], ["HOLMB-IO2"], ["HOLMB-IO2=failed"], ["HOLMB-IO2=odd:x"]):
        refused = office("plan", "record", NAME, "--window", "1", "--yes", "--except", *words)
        assert refused.status == 2, words
    assert office("plan", "record", NAME, "--window", "99", "--yes").status == 2
    assert office("plan", "record", NAME, "--window", "1", "--yes", "--dry-run").status == 0
    assert office("ledger", "verify", "--json").json["chain"] == head


def test_a_component_that_is_read_at_another_version_is_no_success(office: Keeper, tmp_path: Path) -> None:
    """ "records what it *saw*" (issue 16, point 2)"""
    kept_plan(office, tmp_path)
    key = next(iter(outcomes(office, 1)))
    assert _record(office, tmp_path, 1, "--yes", but=key, seen="9.9.9") == 1
    assert outcomes(office, 1)[key] == "failed"
    changed = [row for row in progress(office)["findings"] if row["code"] == "input-changed"]
    assert changed, "nothing of the plan brings 9.9.9"


def test_another_change_of_the_domain_is_named_and_stops_the_record(office: Keeper, tmp_path: Path) -> None:
    kept_plan(office, tmp_path)
    key = next(iter(outcomes(office, 1)))
    assert office("observe", key, "--active", "5.4.2", "--reported-by", "kim").status == 0
    assert [f["code"] for f in progress(office)["findings"] if f["code"] == "input-changed"]
    for words in (("plan", "check", NAME), ("plan", "record", NAME, "--window", "1", "--yes")):
        assert office(*words).status == 4, words


def test_a_plan_is_named_by_name_digest_or_file_everywhere(office: Keeper, tmp_path: Path) -> None:
    digest = kept_plan(office, tmp_path)
    key = next(iter(outcomes(office, 1)))
    for name in (NAME, digest, digest[:8], str(tmp_path / "holm-b.json")):
        assert progress(office, name)["sha256"] == digest
        assert office("plan", "show", name, "--json").json["sha256"] == digest
        done = office("observe", key, "--healthy", "yes", "--plan", name, "--dry-run")
        assert done.status == 0, done.err
        page = tmp_path / "page.txt"
        made = office("report", "--runbook", "--plan", name, "--out", page, "--force")
        assert page.is_file(), made.err
    for name in ("nigth", "0000", "nothing.json"):
        missing = office("plan", "progress", name)
        assert missing.status == 2
    assert "night" in office("plan", "progress", "nigth").err


def test_a_kept_plan_never_changes_and_its_name_is_used_once(office: Keeper, tmp_path: Path) -> None:
    digest = kept_plan(office, tmp_path)
    folder = tmp_path / "store" / ".keeper" / "plans"
    assert sorted(path.name for path in folder.iterdir()) == [f"{digest}.about.json", f"{digest}.json"]
    assert (folder / f"{digest}.json").stat().st_mode & 0o222 == 0
    again = office("plan", "keep", tmp_path / "holm-b.json", "--name", "other")
    assert (again.status < 2, "kept already as night" in again.out) == (True, True)
    other = tmp_path / "other.json"
    office("route", "holm-b", "--to", "6.1", "--window", "5h", "--out", other)
    assert office("plan", "keep", other, "--name", NAME).status == 2
    beside = office("plan", "keep", other, "--name", "beside")
    assert f"note: also open for holm-b: plan {NAME}; " in beside.err
    office("route", "holm-b", "--to", "5.4", "--out", tmp_path / "nothing.json")
    nothing = office("plan", "keep", tmp_path / "nothing.json")
    assert (nothing.status, "there is nothing to do in this plan" in nothing.err) == (2, True), nothing.err
    (tmp_path / "empty.json").touch()
    assert "the file is empty" in office("plan", "keep", tmp_path / "empty.json").err
    wrong = (tmp_path / "holm-b.json").read_text().replace('"minutes": ', '"minutes": "x", "was": ')
    (tmp_path / "wrong.json").write_text(wrong)
    assert "not as this program wrote it" in office("plan", "show", tmp_path / "wrong.json").err
    edited = tmp_path / "edited.json"
    edited.write_text(other.read_text().replace('"verb": "activate"', '"verb": "write"'))
    assert office("plan", "keep", edited).status == 4
    (folder / f"{digest}.json").chmod(0o644)
    (folder / f"{digest}.json").write_text("{}")
    assert office("plan", "progress", NAME).status == 3


def test_playing_a_plan_records_nothing(office: Keeper, tmp_path: Path) -> None:
    kept_plan(office, tmp_path)
    head = office("ledger", "verify", "--json").json["chain"]
    whole = office("plan", "rehearse", NAME)
    assert (whole.status, "is reached on all" in whole.out) == (0, True)
    server = next(row for row in progress(office)["windows"][1]["components"] if row["server"])["server"]
    stuck = office("plan", "rehearse", NAME, "--fail", f"{server}@2")
    assert (stuck.status, "stuck at window 3" in stuck.out) == (1, True), stuck.out
    assert office("ledger", "verify", "--json").json["chain"] == head


def test_a_window_is_recorded_in_its_turn(office: Keeper, tmp_path: Path) -> None:
    """A mistyped number must not record another window's servers."""
    kept_plan(office, tmp_path)
    head = office("ledger", "verify", "--json").json["chain"]
    for words in ((), ("--dry-run",)):
        early = office("plan", "record", NAME, "--window", "2", "--yes", *words)
        assert (early.status, "window 1 is not recorded: 9 components left in it" in early.err) == (4, True), early.err
        assert "is it window 1? if it was done: --anyway" in early.err
    assert office("ledger", "verify", "--json").json["chain"] == head
    other = office("plan", "record", NAME, "--window", "1", "--yes", "--except", "HOLMB-B1:bios=failed:x")
    assert (other.status, "it is in window 2" in other.err) == (2, True), other.err
    late = ("plan", "record", NAME, "--window", "2", "--yes", "--anyway", "the sheets came late")
    twice = office(*late, "--except", "1/1=failed:fan", "--except", "HOLMB-B1:bios=no-answer")
    assert (twice.status, "HOLMB-B1:bios is excepted twice: by 1/1 and HOLMB-B1:bios" in twice.err) == (2, True), twice
    excepted = office(*late, "--except", "1/1=failed:fan", "--dry-run")
    assert excepted.out.count(": fan") == 2, "a server by its chassis and slot, as --without takes it"
    done = office(*late)
    assert done.status == 0, done.err
    key = next(iter(outcomes(office, 2)))
    assert "out of turn: the sheets came late" in office("where", key, "--history", "--json").out


def test_what_was_skipped_is_decided_about_and_may_be_recorded_after_all(office: Keeper, tmp_path: Path) -> None:
    kept_plan(office, tmp_path)
    key = next(row for row in outcomes(office, 1) if row.startswith("HOLMB-IO"))
    words = ("plan", "record", NAME, "--window", "1", "--yes")
    assert office(*words, "--except", f"{key}=skipped:no time").status == 0
    text = office("plan", "progress", NAME)
    assert f"what now about {key} (runs 5.4.10):" in text.out
    assert re.search(r"b  go on without 1 component: .*; refused: window 2: infrastructure before servers", text.out)
    assert text.err.endswith(f"next: bundlekeeper plan record {NAME} --window 1\n")
    assert " recorded " in text.out, "nobody has read it back, so it is not done"
    played = office("plan", "rehearse", NAME)
    assert f"what then about {key}:" in played.out
    sheet = tmp_path / "sheet.csv"
    assert office("plan", "record", NAME, "--window", "1", "--template", sheet).status == 0
    fill_in(sheet, lambda component, expected: "" if component == key else expected)
    assert office(*words, "--sheet", sheet).status == 0
    assert outcomes(office, 1)[key] == "skipped", "a sheet without a word about it does not make it done"
    assert office(*words).status == 0
    assert outcomes(office, 1)[key] == "not-read-back"
    assert "cannot be begun" not in office("plan", "rehearse", NAME).out


def test_what_was_seen_at_a_time_was_done_by_then(office: Keeper, tmp_path: Path) -> None:
    """`plan progress` and `where` say the same of a row of the sheet that has a time; a sheet of another night, from
    before the plan or the activation, is refused whole, each row with what it is older than."""
    kept_plan(office, tmp_path)
    sheet, seen = tmp_path / "sheet.csv", f"{datetime.now(UTC) - timedelta(minutes=5):%Y-%m-%dT%H:%MZ}"
    office("plan", "record", NAME, "--window", "1", "--template", sheet)
    words = ("plan", "record", NAME, "--window", "1", "--yes", "--sheet", sheet)
    fill_in(sheet, lambda component, expected: expected, _ago(120))
    before = office(*words)
    assert (before.status, before.err.count("before the plan was made: ")) == (2, 9), before.err
    fill_in(sheet, lambda component, expected: expected, seen)
    late = office(*words, "--at", f"{datetime.now(UTC) - timedelta(minutes=2):%Y-%m-%dT%H:%MZ}")
    assert (late.status, "before it was done" in late.err) == (2, True), late.err
    assert office(*words).status == 0
    assert set(outcomes(office, 1).values()) == {"done"}
    key = next(iter(outcomes(office, 1)))
    assert office("where", key, "--json").json["components"][0]["agreement"] == "agrees"
    second = ("plan", "record", NAME, "--window", "2")
    sheet.unlink()
    office(*second, "--template", sheet)
    assert office(*second, "--yes", "--at", _ago(3)).status == 0
    fill_in(sheet, lambda component, expected: expected, _ago(30))
    older = office(*second, "--sheet", sheet)
    assert (older.status, "before it was activated: " in older.err) == (2, True), older.err


def _ago(minutes: int) -> str:
    return f"{datetime.now(UTC) - timedelta(minutes=minutes):%Y-%m-%dT%H:%M:%SZ}"


def test_every_problem_of_a_sheet_is_named_with_its_row(office: Keeper, tmp_path: Path) -> None:
    kept_plan(office, tmp_path)
    sheet = tmp_path / "sheet.csv"
    office("plan", "record", NAME, "--window", "1", "--template", sheet)
    rows = sheet.read_text().splitlines()
    one, two, three = (row.split(",")[:2] for row in rows[1:4])
    more = {"22:40,kim,": one, ",,a\x07b": two, ',,"a\nb"': three}
    sheet.write_text("\n".join([rows[0], *(",".join((*row, row[1], cells)) for cells, row in more.items())]))
    done = office("plan", "record", NAME, "--window", "1", "--yes", "--sheet", sheet)
    assert done.status == 2
    assert f"{sheet}:2: {one[0]}: '22:40' is neither a date nor a time" in done.err
    assert f"{sheet}:3: {two[0]}: note has characters that cannot be printed" in done.err
    assert f"{three[0]}:" not in done.err, "a line break in a note is a blank"


def test_what_was_done_is_recorded_though_inputs_changed(office: Keeper, tmp_path: Path) -> None:
    """ "--anyway REASON: record it against a refusal": a night that was is recorded, whatever else changed."""
    kept_plan(office, tmp_path)
    key = next(iter(outcomes(office, 2)))
    assert office("observe", key, "--active", "5.4.2", "--reported-by", "kim").status == 0
    words = ("plan", "record", NAME, "--window", "1", "--yes")
    refused = office(*words)
    assert (refused.status, "--anyway REASON records it" in refused.err) == (4, True), refused.err
    done = office(*words, "--anyway", "it was done")
    assert done.status == 0, done.err
    assert set(outcomes(office, 1).values()) == {"not-read-back"}


def test_wrong_exceptions_and_sheets_record_nothing(office: Keeper, tmp_path: Path) -> None:
    kept_plan(office, tmp_path)
    words, (one, two, *_) = ("plan", "record", NAME, "--window", "1", "--yes"), outcomes(office, 1)
    sheet = tmp_path / "sheet.csv"
    office("plan", "record", NAME, "--window", "1", "--template", sheet)
    assert office("plan", "record", NAME, "--window", "1", "--template", tmp_path / "a.ods").status == 2
    for row, meant in (
        (f"{one},0.0.1,0.0.1,,,", f"{one}: 0.0.1 is expected there"),
        (f"{one},,-,,,", f"{one}: seen cannot be -: some version always runs"),
        (f"{one},,?,,,", f"{one}: seen cannot be ?"),
    ):
        sheet.write_text(f"component,expected,seen,time,reported by,note\n{row}\n")
        done = office(*words, "--sheet", sheet)
        assert (done.status, meant in done.err) == (2, True), done.err
    for texts, meant in (
        ((f"{one}=failed:a", f"{one}=no-answer"), f"{one} is excepted twice"),
        ((f"{one}=failed:a\nb",), "cannot be printed"),
    ):
        done = office(*words, "--dry-run", *(word for text in texts for word in ("--except", text)))
        assert (done.status, meant in done.err) == (2, True), done.err
    sheet.unlink()
    both = office("plan", "record", NAME, "--window", "1", "--template", sheet, "--yes", "--sheet", sheet)
    assert (both.status, "a template has no --yes, --sheet" in both.err) == (2, True), both.err
    office("plan", "record", NAME, "--window", "1", "--template", sheet)
    fill_in(sheet, lambda component, expected: expected if component == one else "")
    assert office(*words, "--sheet", sheet).status == 0
    fill_in(sheet, lambda component, expected: expected)
    assert office(*words, "--sheet", sheet).status == 0, "what was read back before and is the same is passed over"
    assert outcomes(office, 1)[two] == "done"
    fill_in(sheet, lambda component, expected: "5.4.10" if component == one else expected)
    other = office(*words, "--sheet", sheet)
    assert (other.status, f"{one} was read back at" in other.err) == (2, True), other.err


def test_a_skipped_server_is_left_out_of_what_is_left(office: Keeper, tmp_path: Path) -> None:
    """One server that was skipped takes nobody's run-book away."""
    kept_plan(office, tmp_path)
    last = ("--except", "HOLMB-B1=skipped:sold", "--except", "HOLMB-B2=failed:fan")
    for number in range(1, 5):
        done = office("plan", "record", NAME, "--window", str(number), "--yes", *(last if number == 4 else ()))
        assert done.status == 0, done.err
    ticket = office("plan", "ticket", NAME)
    assert ticket.status == 1, ticket.err
    assert "left out, so the release is not reached for it: skipped: sold" in ticket.out
    assert "| 4 | 1 server to 6.1 |" in ticket.out, "the retry"


def test_a_plan_that_goes_on_has_the_options_of_the_one_before(office: Keeper, tmp_path: Path) -> None:
    """What is not given is as it was, and is reported: a dropped --without would bring a server back in."""
    first = tmp_path / "first.json"
    words = ("route", "holm-a", "--to", "6.1")
    office(*words, "--without", "HOLMA-B2", "--reason", "off", "--window", "4h", "--parallel", "2", "--out", first)
    after = office(*words, "--continues", first, "--json")
    assert after.json["options"]["window_minutes"] == 240
    assert after.json["options"]["parallel"] == [["", 2]]
    assert [row["server"] for row in after.json["route"]["left_out"]] == ["HOLMA-B2"]
    note = "note: as in the plan that it continues: windows of 240 minutes; --parallel; without HOLMA-B2\n"
    assert note in after.err
    own = office(*words, "--continues", first, "--window", "5h", "--json").json
    assert (own["options"]["window_minutes"], own["options"]["parallel"]) == (300, [["", 2]])


def test_a_server_that_is_left_out_is_named_wherever_the_plan_is_told(office: Keeper, tmp_path: Path) -> None:
    words = ("route", "holm-a", "--to", "6.1", "--without", "1/2", "--reason", "off until March")
    made = office(*words, "--out", tmp_path / "plan.json", "--json")
    office("plan", "keep", tmp_path / "plan.json", "--name", NAME)
    for command in ("show", "progress", "rehearse"):
        told = office("plan", command, NAME).out
        assert re.search(r"left out: server \S+: off until March", told), (command, told)
    played = office("plan", "rehearse", NAME, "--json").json
    assert played["components"] - played["reached"] >= 1
    assert played["reached"] == made.json["route"]["reached"]
    assert f"is reached on {played['reached']} of {played['components']} components" in told


def test_every_document_of_a_plan_counts_the_same(office: Keeper, tmp_path: Path) -> None:
    plan, book = tmp_path / "plan.json", tmp_path / "book.txt"
    office("route", "holm-b", "--to", "6.1", "--out", plan)
    kept = office("plan", "keep", plan, "--name", NAME)
    made = office("report", "--runbook", "--plan", NAME, "--out", book)
    shown = Counter(re.findall(r"^  \[ \] (error|warning): ", book.read_text(), re.MULTILINE))
    words = f"{shown['warning']} warnings"
    assert shown["warning"] > 1
    assert shown["error"] == 0
    assert f"with the gaps of today it has {words}: bundlekeeper report --runbook --plan {NAME} --out FILE" in kept.out
    assert f"{shown['warning']} open gaps in it" in made.out
    assert f"the plan has {shown['warning']} open gaps" in office("plan", "ticket", NAME).err
    checked = office("plan", "check", NAME).out
    assert re.search(r" rules?; none is broken\n", checked), checked
    assert "Gaps, space, verifications, signatures and pairs were not looked at here" in checked


def test_a_name_for_a_plan_is_made_of_any_domain() -> None:
    """Without --name a domain of blanks and umlauts is kept, too."""
    assert name_of("holm-b-6.1") == "holm-b-6.1"
    assert name_of("k é 'q-2.1") == "plan-k-q-2.1"
    assert name_of("cafe") == "plan-cafe", "a name is never the beginning of a digest"
    assert name_of("é") == "plan-"


def test_the_next_command_names_a_file_that_is_not_there(office: Keeper, tmp_path: Path) -> None:
    words = ("route", "holm-b", "--to", "6.1")
    assert office(*words).err.endswith("next: bundlekeeper route holm-b --to 6.1 --out holm-b.json\n")
    (tmp_path / "holm-b.json").touch()
    assert office(*words).err.endswith("next: bundlekeeper route holm-b --to 6.1 --out holm-b-2.json\n")


def test_what_nobody_has_read_is_an_open_gap_of_the_next_window(office: Keeper, tmp_path: Path) -> None:
    kept_plan(office, tmp_path)
    assert "not-read-back" not in office("plan", "ticket", NAME).out
    office("plan", "record", NAME, "--window", "1", "--yes")
    gaps = re.findall(r"- \[ \] warning: not-read-back: (.*)", office("plan", "ticket", NAME).out)
    assert all(any(key in gap for gap in gaps) for key in outcomes(office, 1)), gaps


def test_what_failed_is_an_open_gap_of_the_next_window(office: Keeper, tmp_path: Path) -> None:
    """`gaps` calls it an error: a ticket that says nothing of it would hide why the work is done again."""
    kept_plan(office, tmp_path)
    key = next(iter(outcomes(office, 1)))
    office("plan", "record", NAME, "--window", "1", "--yes", "--except", f"{key}=failed:bank broken")
    ticket = office("plan", "ticket", NAME).out
    assert re.search(r"- \[ \] warning: activation-failed: .*its last activation failed", ticket)
    assert "STOP" not in ticket
    again = tmp_path / "again.json"
    office("route", "holm-b", "--to", "6.1", "--continues", NAME, "--out", again)
    ran = office("plan", "keep", again, "--name", "again", "--json")
    kept, noted = ran.json, ran.err
    listed = office("plan", "ticket", "again").out.count("- [ ] warning: ")
    assert listed
    assert sum(found["level"] == "warning" for found in kept["findings"]) == listed, "both count the same"
    assert (kept["continued"]["name"], kept["continued"]["closed"]["reason"]) == (NAME, "continued by again")
    (left,) = office("plan", "list", "--json").json["plans"]
    assert (left["name"], "also open" in noted) == ("again", False), "else both would be due"
