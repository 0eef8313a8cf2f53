"""The code for printed: what is mistyped is found, and named by its line."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.media.receipt import slip as slips
from bundlekeeper.media.receipt.slip import DomainCount
from bundlekeeper.media.receipt.typed_lines import ALPHABET, LINE, from_lines, grouped, to_lines
from tests.kits.slips import SLIP
from tests.kits.sure import some


def named(text: str) -> list[str]:
    """The lines that reading calls wrong."""
    with pytest.raises(InputError) as caught:
        from_lines(text)
    return [each.subject for each in caught.value.problems]


def test_every_single_wrong_character_and_every_exchange_of_neighbours_is_found_and_its_line_named() -> None:
    """Issue 6: "a short checksummed code"; brute force over every place and every sign of three lines."""
    lines = to_lines(random.Random(7).randbytes(40))
    assert len(lines) == 3
    tried = 0
    for number, line in enumerate(lines):
        others = [line[:at] + sign + line[at + 1 :] for at in range(LINE) for sign in ALPHABET if sign != line[at]]
        others += [
            line[:at] + line[at + 1] + line[at] + line[at + 2 :] for at in range(LINE - 1) if line[at] != line[at + 1]
        ]
        for wrong in others:
            assert named("\n".join([*lines[:number], wrong, *lines[number + 1 :]])) == [f"line {number + 1}"]
            tried += 1
    assert tried > 3 * LINE * 31


def test_any_two_wrong_characters_of_a_line_are_found() -> None:
    """The check has distance 3: every pair of places, for a hundred pairs of signs each."""
    rng = random.Random(8)
    (line,) = to_lines(b"twelve bytes")
    for first in some(range(LINE - 1)):
        for second in some(range(first + 1, LINE)):
            for _ in range(20):
                row = list(line)
                row[first] = rng.choice(ALPHABET.replace(row[first], ""))
                row[second] = rng.choice(ALPHABET.replace(row[second], ""))
                assert named("".join(row)) == ["line 1"]


def test_a_wrong_character_is_offered_its_right_one() -> None:
    lines = to_lines(b"x" * 30)
    for at in some(range(LINE)):
        wrong = "Z" if lines[1][at] != "Z" else "2"
        with pytest.raises(InputError) as caught:
            from_lines("\n".join([lines[0], lines[1][:at] + wrong + lines[1][at + 1 :], *lines[2:]]))
        assert f"number {at + 1} ({wrong}) and should be {lines[1][at]}" in caught.value.problems[0].hint


def test_exchanged_lost_and_doubled_lines_are_found() -> None:
    lines = to_lines(random.Random(9).randbytes(80))
    assert named("\n".join([lines[1], lines[0], *lines[2:]])) == ["line 1", "line 2"]
    assert named("\n".join(lines[1:]))[0] == "line 1"
    with pytest.raises(InputError, match="goes on after line"):
        from_lines("\n".join(lines[:-1]))
    numbered = [grouped(n, line) for n, line in enumerate(lines, 1)]
    assert named("\n".join([*numbered, numbered[1]])) == ["line 2"]
    assert named("\n".join([numbered[0], *numbered[2:]])) == ["line 2"]
    assert from_lines("\n".join(reversed(numbered))) == from_lines("\n".join(lines))


def problems(lines: list[str]) -> list[tuple[str, str]]:
    """What reading these lines calls wrong, and how."""
    with pytest.raises(InputError) as caught:
        from_lines("\n".join(lines))
    return [(each.subject, each.message) for each in caught.value.problems]


@pytest.mark.parametrize("size", [40, 80, 160, 600])
def test_a_line_left_out_or_typed_twice_is_reported_alone_although_none_is_numbered(size: int) -> None:
    """Every place of codes of 3 to 43 lines: the lines after it are not called wrong."""
    lines = to_lines(random.Random(size).randbytes(size))
    for at in range(len(lines) - 1):
        reported = problems([*lines[:at], *lines[at + 1 :]])
        assert reported == [(f"line {at + 1}", "is missing")] if at or len(lines) > 2 else reported
    for at in some(range(len(lines))):
        reported = problems([*lines[: at + 1], *lines[at:]])
        assert reported == [(f"line {at + 1}", "is there twice")]
        assert problems([*lines, lines[at]]) == reported
    for at in range(len(lines) - 4):
        assert problems([*lines[:at], *lines[at + 3 :]]) == [(f"lines {at + 1} to {at + 3}", "are missing")]


def test_a_line_typed_twice_once_wrongly_is_reported_alone() -> None:
    lines = to_lines(random.Random(3).randbytes(120))
    for at in some(range(len(lines))):
        wrong = ("0" if lines[at][0] != "0" else "1") + lines[at][1:]
        for pair in ([wrong, lines[at]], [lines[at], wrong]):
            reported = problems([*lines[:at], *pair, *lines[at + 1 :]])
            assert len(reported) == 1, (at, reported)
            assert "mistyped" in reported[0][1]


def test_a_line_under_a_wrong_number_is_reported_alone() -> None:
    lines = to_lines(random.Random(4).randbytes(120))
    numbered = [grouped(n, line) for n, line in enumerate(lines, 1)]
    for at, line in enumerate(lines):
        for number in (999, 400, 55):
            reported = problems([*numbered[:at], f"{number}: {line}", *numbered[at + 1 :]])
            assert reported == [(f"line {number}", f"has the check characters of line {at + 1}")]
    far = problems([*numbered[:-1], f"999: {'0' * 24}1"])
    assert [subject for subject, _ in far] == ["line 999"]
    assert problems([*numbered, grouped(300, to_lines(bytes(4400))[299])]) == [("lines 10 to 299", "are missing")]


def test_lines_in_another_order_are_reported_with_their_places() -> None:
    lines = to_lines(random.Random(9).randbytes(80))
    assert problems([lines[1], lines[0], *lines[2:]]) == [
        ("line 1", "has the check characters of line 2"),
        ("line 2", "has the check characters of line 1"),
    ]


@given(data=st.binary(max_size=300), seed=st.integers(0, 2**32))
@settings(max_examples=60)
def test_typed_in_any_case_with_any_blanks_it_is_the_same(data: bytes, seed: int) -> None:
    """Issue 6: "typed or scanned back"."""
    rng = random.Random(seed)
    looks = {"1": "1iIlL", "0": "0oO"}
    lines = to_lines(data)
    typed = []
    for line in lines:
        signs = [rng.choice(looks.get(s, s.lower() + s)) + rng.choice(["", "", " ", "\t", "-"]) for s in line]
        typed.append(rng.choice(["", "  "]) + "".join(signs))
    assert from_lines("\n\n".join(typed) + "\n") == data
    assert from_lines("".join(lines)) == data, "as a scanner gives it"
    assert from_lines("\r\n".join(grouped(n, line) for n, line in enumerate(lines, 1))) == data


@given(text=st.text(max_size=200))
@settings(max_examples=200)
def test_nothing_but_our_own_error_comes_out_of_any_text(text: str) -> None:
    with pytest.raises(InputError):
        slips.read(text)


@given(data=st.binary(max_size=200))
@settings(max_examples=200)
def test_nothing_but_our_own_error_comes_out_of_any_bytes_in_right_lines(data: bytes) -> None:
    with pytest.raises(InputError):
        slips.read("\n".join(to_lines(data)))


def test_a_slip_is_read_back_as_it_was_written_and_is_short() -> None:
    lines = slips.lines_of(SLIP)
    assert slips.read("\n".join(lines)) == SLIP
    assert len(lines) <= 6
    signed = replace(SLIP, signature=bytes(range(64)))
    assert slips.read("".join(slips.lines_of(signed))) == signed
    assert slips.signed_bytes(signed) != slips.signed_bytes(SLIP), "that it is signed is signed too"


@given(files=st.integers(1, 3000), data=st.data())
@settings(max_examples=60)
def test_which_files_are_missing_is_reported_or_counted_and_never_left_out(files: int, data: st.DataObject) -> None:
    missing = tuple(sorted(data.draw(st.sets(st.integers(0, files - 1), max_size=400))))
    slip = replace(SLIP, files=files, missing=missing, missing_count=len(missing))
    found = slips.read("\n".join(slips.lines_of(slip)))
    assert found.missing_count == len(missing)
    assert found.missing in (missing, None)
    if len(missing) < 100:
        assert found.missing == missing


def test_more_domains_than_fit_are_counted() -> None:
    many = replace(SLIP, domains=tuple(DomainCount(f"d{n}", n, 0, 0) for n in range(20)))
    found = slips.read("\n".join(slips.lines_of(many)))
    assert (len(found.domains), found.more_domains) == (slips.MAX_DOMAINS, 8)


def test_a_code_of_a_newer_version_is_named() -> None:
    with pytest.raises(InputError, match="version 9"):
        slips.read("\n".join(to_lines(bytes((9, 0)) + bytes(60))))


def test_lines_of_two_receipts_together_are_refused() -> None:
    """Each line is right by itself and in its place; the check over the whole tells them apart."""
    one = slips.lines_of(SLIP)
    two = slips.lines_of(replace(SLIP, ledger_count=SLIP.ledger_count + 1))
    assert len(one) == len(two)
    mixed = 0
    for at in range(len(one)):
        lines = [*one[:at], two[at], *one[at + 1 :]]
        if lines not in (one, two):
            mixed += 1
            with pytest.raises(InputError, match="belong together"):
                slips.read("\n".join(lines))
    assert mixed
