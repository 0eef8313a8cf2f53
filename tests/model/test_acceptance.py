"""What can be accepted, what an entry is about, and how long it counts."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.findings import CODES, Level, finding
from bundlekeeper.model.acceptance import NEVER, Acceptance, applied, insist_on, of_domains, problems
from bundlekeeper.model.store_settings import read_settings

DAY = date(2026, 11, 30)


def entry(subject: str, code: str = "no-way-back", *, until: date = DAY + timedelta(days=30)) -> Acceptance:
    return Acceptance(code, subject, "agreed with lee", "kim", DAY, until)


@pytest.mark.parametrize("code", sorted(NEVER))
def test_what_says_that_bytes_or_signatures_are_wrong_is_never_accepted(code: str) -> None:
    """Not by the command, and not by an entry that came into the file by hand: the finding stays what it is."""
    assert code in CODES
    with pytest.raises(InputError, match="cannot be accepted"):
        insist_on(entry("a.bin", code))
    found = finding(code, "a.bin", "wrong")
    assert applied([found], [entry("a.bin", code)]) == [found]
    with pytest.raises(InputError, match="cannot be accepted"):
        read_settings(_toml(code=code).encode())


@pytest.mark.parametrize("subject", ["*", "/*", "holm*", "holm/*/1", "holm/holm-a/1/*", "*/*", "", "step 1: bios"])
def test_a_pattern_names_one_site_or_domain(subject: str) -> None:
    """Never everything, and no step, which every route has."""
    assert [*problems(entry(subject))]


@pytest.mark.parametrize(
    ("pattern", "subject", "domain", "meant"),
    [
        ("a.bin", "a.bin", "", True),
        ("a.bin", "b.bin", "", False),
        ("holm/*", "holm/holm-a/1/3 bios", "", True),
        ("holm-a/*", "holm/holm-a/1/3 bios", "", True),
        ("holm/holm-a/*", "holm/holm-a/1/3 bios", "", True),
        ("holm/holm-b/*", "holm/holm-a/1/3 bios", "", False),
        ("holm/*", "holmgard/holm-x/1/3 bios", "", False),
        ("1/*", "holm/holm-a/1/3 bios", "", False),
        ("holm-a/*", "holm-a: hosts", "", True),
        ("holm-a/*", "holm-a fabric-a: bios X", "", True),
        ("holm-a/*", "step 1: bios", "holm-a", True),
        ("holm-a/*", "step 1: bios", "holm-b", False),
        ("holm-a: step 1: bios", "step 1: bios", "holm-a", True),
        ("holm-a: hosts", "holm-a: hosts", "holm-a", True),
        ("step 1: bios", "step 1: bios", "holm-a", False),
    ],
)
def test_what_an_entry_is_about(pattern: str, subject: str, domain: str, meant: bool) -> None:
    found = finding("no-way-back", subject, "there is none")
    (judged,) = applied([found], [entry(pattern)], domain)
    assert (judged.level is Level.NOTE) is meant
    assert ("by kim until" in judged.accepted) is meant
    assert applied([finding("no-policy", subject, "none")], [entry(pattern)], domain)[0].level is Level.WARNING


def test_what_is_accepted_of_a_site_is_accepted_of_its_domains() -> None:
    """But not of a domain whose name another site has, too."""
    places = [("holm", "holm-a"), ("holm", "edge"), ("skerry", "edge"), ("holm", "")]
    found = of_domains([entry("holm/*"), entry("a.bin"), entry("holm-a/*")], places)
    assert [one.subject for one in found] == ["holm/*", "a.bin", "holm-a/*", "holm-a/*"]


def test_it_counts_up_to_its_last_day_and_a_year_at_most() -> None:
    assert entry("a", until=DAY).counts_on(DAY)
    assert not entry("a", until=DAY).counts_on(DAY + timedelta(days=1))
    assert not [*problems(entry("a", until=DAY + timedelta(days=366)))]
    assert [*problems(entry("a", until=DAY + timedelta(days=367)))]
    assert [*problems(entry("a", until=DAY - timedelta(days=1)))]


def _toml(**values: str) -> str:
    keys = {"code": "no-way-back", "subject": "holm/*", "reason": "r", "reported_by": "kim"} | values
    lines = [f'{key} = "{value}"' for key, value in keys.items()]
    return "\n".join(["store = 1", "[[accepted]]", *lines, "on = 2026-11-30", "until = 2026-12-31"])


def test_every_problem_of_an_entry_is_named_at_its_place() -> None:
    """Also of one that a person wrote: an unknown key, a wrong sort, what is missing."""
    assert read_settings(_toml().encode()).accepted[0].until == date(2026, 12, 31)
    wrong = _toml(wen="x").replace('reason = "r"\n', "").replace("until = 2026-12-31", 'until = "soon"')
    with pytest.raises(InputError) as refused:
        read_settings(wrong.encode())
    assert sorted(problem.message.split()[0] for problem in refused.value.problems) == ["reason", "there", "until"]
