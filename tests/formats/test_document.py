"""The codec of our JSON documents: what is written is read back equal, and any other form is refused with its place."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from tests.kits.codec_documents import AT, BILL, OTHER_ZONE, Crate, Stamp, Waybill, document

Path = tuple[str | int, ...]


HEX8 = st.text("0123456789abcdef", min_size=8, max_size=8)
MOMENTS = st.datetimes(timezones=st.sampled_from([UTC, OTHER_ZONE]))
CRATES = st.builds(Crate, st.sampled_from(["a", "a/b.bin", "data/ü"]), st.booleans(), HEX8 | st.just(""))
COUNTS = st.integers(0, 2**63 - 1)
BILLS = st.builds(
    Waybill,
    number=st.integers(1, 999),
    ledger=st.text("0123456789abcdef", min_size=1, max_size=128),
    count=COUNTS,
    port=st.sampled_from(["skerry", "holm-quay"]),
    state=st.sampled_from(["packed", "sent"]),
    note=st.text(max_size=40),
    made=MOMENTS,
    crates=st.lists(CRATES, max_size=3).map(tuple),
    seen=st.dictionaries(st.integers(0, 10**18 - 1), MOMENTS, max_size=3),
    weights=st.dictionaries(st.text(max_size=9), COUNTS, max_size=3),
    stamps=st.lists(st.builds(Stamp, MOMENTS, COUNTS), max_size=3).map(tuple),
    words=st.lists(st.text(min_size=1, max_size=9), max_size=3),
    last=st.none() | CRATES,
)


@given(BILLS, st.booleans())
def test_what_is_written_is_read_back_equal(bill: Waybill, indented: bool) -> None:
    data = document(indented=indented).write(bill)
    assert document().read(data) == bill
    assert document(indented=indented).write(document().read(data)) == data


def test_the_bytes_are_those_of_canonical_json() -> None:
    data = document().write(replace(BILL, note="ü\n"))
    given_back = json.dumps(json.loads(data), sort_keys=True, separators=(",", ":")) + "\n"
    assert data.decode("ascii") == given_back
    written = json.loads(data)
    assert written["schema"] == "bundlekeeper.waybill/2"
    assert written["ledger"] == {"book": "ab" * 16, "count": 3}
    assert written["stamps"] == [["2026-08-14T09:30:00+00:00", 3]]
    assert [("seal" in crate) for crate in written["crates"]] == [True, False]
    assert b'\n "crates": [\n  {\n' in document(indented=True).write(BILL)


def places(value: Any, path: Path = ()) -> Iterator[Path]:
    """Every place in a JSON value."""
    for key, inner in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        yield (*path, key)
        yield from places(inner, (*path, key))


def at(value: Any, path: Path) -> Any:
    for key in path:
        value = value[key]
    return value


WHOLE: dict[str, Any] = json.loads(document().write(BILL))
PLACES = [path for path in places(WHOLE) if path != ("schema",)]
#: Objects whose keys are data: another one is no mistake there.
FREE = {("seen",), ("weights",)}
LACKING = {("crates", 0, "seal")}


def pointer(path: Path) -> str:
    return "".join("/" + str(key).replace("~", "~0").replace("/", "~1") for key in path) or "/"


def refusal(made: object) -> str:
    with pytest.raises(InputError) as caught:
        document().read(json.dumps(made).encode(), "bill.json")
    assert caught.value.where == "bill.json"
    return caught.value.message


def test_every_missing_key_is_reported_with_its_place() -> None:
    reported = 0
    for path in PLACES:
        *above, key = path
        if not isinstance(key, str) or tuple(above) in FREE:
            continue
        made = copy.deepcopy(WHOLE)
        del at(made, tuple(above))[key]
        if path in LACKING:
            assert document().read(json.dumps(made).encode()).crates[0].seal == ""
            continue
        reported += 1
        assert refusal(made) == f"the waybill: {pointer(tuple(above))} lacks {key}"
    assert reported == 20


def test_every_key_that_is_unknown_is_reported_with_its_place() -> None:
    objects = [path for path in [(), *PLACES] if isinstance(at(WHOLE, path), dict) and path not in FREE]
    assert len(objects) == 5
    for path in objects:
        made = copy.deepcopy(WHOLE)
        at(made, path)["more\x1b"] = None
        assert refusal(made) == f"the waybill: {pointer(path)} has the unknown key more\\x1b"


@pytest.mark.parametrize(
    ("odd", "places"),
    [
        (None, "/last"),
        (True, "/crates/0/sealed /crates/1/sealed /last/sealed"),
        (5, "/ledger/count /number /stamps/0/1 /weights/ /weights/a~1b~0c"),
        (-1, ""),
        (1.0, ""),
        ("", "/note"),
        (" odd ", "/note /words/0 /words/1"),
        ("x" * 41, "/crates/0/path /crates/1/path /last/path /words/0 /words/1"),
        ([], "/crates /stamps /words"),
        ([[]], ""),
        ({}, "/seen /weights"),
        ({"": {}}, ""),
    ],
    ids=repr,
)
def test_every_value_of_another_type_is_reported_with_its_place(odd: object, places: str) -> None:
    """Also a boolean in place of a number, and 1.0 in that of 1. `places`: where this value can be."""
    found = []
    for path in PLACES:
        made = copy.deepcopy(WHOLE)
        at(made, path[:-1])[path[-1]] = odd
        try:
            document().read(json.dumps(made).encode())
        except InputError as error:
            assert error.message.startswith((f"the waybill: {pointer(path)} ", f"the waybill: {pointer(path)}/"))
        else:
            found.append(pointer(path))
    assert " ".join(sorted(found)) == places


@pytest.mark.parametrize(
    ("path", "odd", "message"),
    [
        (("number",), 1000, "is no whole number from 1 to 999"),
        (("ledger", "book"), "AB", "is not some hexadecimal digits in lower case"),
        (("ledger", "book"), "a" * 129, "is not some hexadecimal digits in lower case"),
        (("to",), "Holm", "cannot be Holm"),
        (("to",), "a" * 21, "is empty or too long"),
        (("state",), "lost", "is lost, not one of packed, sent"),
        (("made",), "2026-08-14T09:30:00", "has no zone"),
        (("made",), "yesterday", "is no date and time (RFC 3339)"),
        (("crates", 1, "seal"), "", "is empty or too long"),
        (("crates", 0, "path"), "too/many", "is one too many"),
        (("crates",), [1, 2, 3, 4], "has 4 entries, 3 are allowed"),
        (("weights",), {"a": 1, "b": 1, "c": 1, "d": 1}, "has 4 keys, 3 are allowed"),
        (("seen",), {"01": AT.isoformat()}, "has the key 01, which is no whole number"),
        (("seen",), {"9" * 5000: AT.isoformat()}, f"has the key {'9' * 40}, which is no whole number"),
        (("stamps", 0), [AT.isoformat()], "has 1 entries, 2 are needed"),
        (("stamps", 0), [AT.isoformat(), 1, 1], "has 3 entries, 2 are allowed"),
    ],
)
def test_what_is_wrong_is_reported(path: Path, odd: object, message: str) -> None:
    made = copy.deepcopy(WHOLE)
    at(made, path[:-1])[path[-1]] = odd
    assert refusal(made) == f"the waybill: {pointer(path)} {message}"


def test_an_unsafe_path_is_reported_as_what_it_is() -> None:
    made = copy.deepcopy(WHOLE)
    made["crates"][1]["path"] = "../x"
    assert refusal(made).startswith("the waybill: /crates/1/path ../x: ")


@pytest.mark.parametrize(
    ("made", "message", "hint"),
    [
        ([], "this is no waybill", "write one"),
        ({}, "this is no waybill", "write one"),
        ({"schema": 2}, "this is no waybill", "write one"),
        (
            {"schema": "bundlekeeper.route/1\x1b"},
            "this is no waybill: its schema is bundlekeeper.route/1\\x1b, not bundlekeeper.waybill/2",
            "write one",
        ),
        (
            {**WHOLE, "schema": "bundlekeeper.waybill/3"},
            "the waybill is of format bundlekeeper.waybill/3, this version reads bundlekeeper.waybill/2",
            "another version of bundlekeeper made it: bring that version here",
        ),
    ],
    ids=["array", "nothing", "number", "route", "version"],
)
def test_another_document_is_named_with_what_to_do(made: object, message: str, hint: str) -> None:
    with pytest.raises(InputError) as caught:
        document().read(json.dumps(made).encode(), "bill.json")
    assert (caught.value.message, caught.value.hint, caught.value.where) == (message, hint, "bill.json")


def test_what_is_too_large_is_not_parsed() -> None:
    with pytest.raises(InputError, match="the waybill is larger than 20000 bytes"):
        document().read(b"[" * 20_001)
    with pytest.raises(InputError, match="not JSON"):
        document().read(b"[" * 20)
