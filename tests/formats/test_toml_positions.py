"""The locator against `tomllib` (Python's own reader of TOML 1.0.0), on generated documents and on awkward ones."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bundlekeeper.formats.toml_positions import Path, TomlPlace, nearest, places

# --- a generator of TOML text that covers the grammar of toml.io/en/v1.0.0 -----------------------------------------

_BARE = ["a", "B", "1", "-", "_x", "key-1", "3e2", "true", "2026-08-14"]
_QUOTED = ['"q q"', "'l.t'", '"\\u00e9"', '"a\\"b"', '""', "''", '"#"', '"[x]"', '"ё"', "'\\'", '"\\\\"', '"😀"']
_SCALARS = [
    "0", "+99", "-17", "1_000", "0xdead_beef", "0o755", "0b1101", "3.14", "-0.01", "5e+22", "6.626e-34", "inf", "-inf",
    "true", "false", "1979-05-27T07:32:00Z", "1979-05-27 07:32:00.999-07:00", "1979-05-27T00:32:00", "1979-05-27",
    "07:32:00", "00:32:00.5", '"s"', '""', '"# no comment"', '"] , } = \\" \\\\"', "'C:\\x'", "''", '"é😀\\u00e9"',
    '""""""', "''''''", '"""a"b""c\\"""d"""', '"""\nline\n  two\\\n   joined\n"""', '""""quoted""""', '"""""x"""""',
    "'''it''s\n # still 'text' '''", "''''q''''", "'''''q'''''", '"""ends \\\\"""', '"\\\\"',
    '"""#"""', '"""\t[a]\n[b]"""',
]  # fmt: skip
_GAPS = ["", " ", "\t", "  "]
_LINE_GAPS = ["", " ", "\n", "\n  ", " # c ] } , \" ' [\n", "#\n\t#é\n"]
_LINE_ENDS = ["\n", "  \n", " # comment = [1, {\n", "\t#\n", "\n\n", "\n# whole line\n \t\n"]


@st.composite
def _values(draw: st.DrawFn, depth: int = 0) -> str:
    shape = draw(st.integers(0, 9 if depth < 3 else 6))
    if shape <= 6:
        return draw(st.sampled_from(_SCALARS))
    gaps = st.sampled_from(_LINE_GAPS if shape < 9 else _GAPS)
    if shape < 9:
        items = draw(st.lists(_values(depth + 1), max_size=4))
        body = ",".join(draw(gaps) + item + draw(gaps) for item in items)
        comma = draw(st.sampled_from(["", ","])) if items else ""
        return f"[{body}{comma}{draw(gaps)}]"
    keys = draw(_keys())
    pairs = [f"{draw(gaps)}{key}{draw(gaps)}={draw(gaps)}{draw(_values(depth + 1))}{draw(gaps)}" for key in keys]
    return "{" + ",".join(pairs) + "}"


@st.composite
def _keys(draw: st.DrawFn) -> list[str]:
    """Keys for one table, some dotted with blanks around the dots, that cannot clash: their last parts are numbered."""
    keys = []
    for number in range(draw(st.integers(0, 4))):
        part = draw(st.sampled_from(_BARE + _QUOTED))
        last = {'"': f'{part[:-1]}{number}"', "'": f"{part[:-1]}{number}'"}.get(part[0], f"{part}{number}")
        dotted = draw(st.lists(st.sampled_from(["d", '"d e"', "'f'", "g.h"]), max_size=2))
        keys.append(draw(st.sampled_from([".", " . ", "\t."])).join([*dotted, last]))
    return keys


@st.composite
def _body(draw: st.DrawFn) -> str:
    lines = ""
    for key in draw(_keys()):
        gap = st.sampled_from(_GAPS)
        lines += f"{draw(gap)}{key}{draw(gap)}={draw(gap)}{draw(_values())}{draw(st.sampled_from(_LINE_ENDS))}"
    return lines


@st.composite
def _documents(draw: st.DrawFn) -> str:
    """A whole document; now and then `tomllib` refuses one (a table named twice), which the test then leaves out."""
    text = draw(st.sampled_from(["", "\n", "# first\n", "  \n\n"])) + draw(_body())
    for _ in range(draw(st.integers(0, 5))):
        name = ".".join(draw(st.lists(st.sampled_from(["t", "u", '"v w"', "'x'"]), min_size=1, max_size=3)))
        gap = draw(st.sampled_from(_GAPS))
        header = draw(st.sampled_from([f"[{gap}{name}{gap}]", f"[[{gap}{name}{gap}]]"]))
        text += f"{draw(st.sampled_from(_GAPS))}{header}{draw(st.sampled_from(_LINE_ENDS))}{draw(_body())}"
    if draw(st.booleans()):
        text = text.rstrip("\n")
    return text.replace("\n", "\r\n") if draw(st.booleans()) else text


def _leaves(value: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _leaves(inner, (*path, index))
    else:
        yield path, value


def _all_paths(value: Any, path: Path = ()) -> Iterator[Path]:
    yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _all_paths(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _all_paths(inner, (*path, index))


def _at(text: str, line: int, column: int) -> int:
    """The offset of a line and column, counted another way than the locator does."""
    return sum(len(row) for row in text.splitlines(keepends=True)[: line - 1]) + column - 1


def _check(text: str, document: dict[str, Any]) -> None:
    found = places(text)
    assert set(found) == set(_all_paths(document))
    for path, value in _leaves(document):
        place = found[path]
        read = tomllib.loads("v = " + text[place.start : place.end])["v"]
        assert repr(read) == repr(value), path
        if isinstance(path[-1], str):
            assert tomllib.loads(text[place.key_start : place.key_end] + " = 1") == {path[-1]: 1}
        else:
            assert place.key_start == place.key_end == place.start
    plain = text.replace("\r\n", "\n")
    breaks = all(row.endswith("\n") for row in plain.splitlines(keepends=True)[:-1])
    if breaks and "\x85" not in plain and "\u2028" not in plain:
        for place in found.values():
            assert _at(text, place.line, place.column) == place.start


@given(_documents())
def test_leaves_and_values_are_those_of_tomllib(text: str) -> None:
    """`choose a TOML parser or a locator that does, and test it against tomllib`."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    _check(text, document)


def test_the_generator_makes_mostly_valid_documents() -> None:
    seen: list[bool] = []

    @given(_documents())
    def count(text: str) -> None:
        try:
            tomllib.loads(text)
            seen.append(True)
        except tomllib.TOMLDecodeError:
            seen.append(False)

    count()
    assert sum(seen) > len(seen) / 2


@given(_documents(), st.data())
def test_something_can_be_added_where_a_body_ends(text: str, data: st.DataObject) -> None:
    """The locator's own sentence: `body_end is where something may be added`."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    found = places(text)
    tables = [path for path, place in found.items() if text[place.start : place.end].startswith("[") or path == ()]
    path = data.draw(st.sampled_from(tables))
    value: Any = document
    for key in path:
        value = value[key]
    place = found[path]
    if isinstance(value, list):
        if value and text.startswith("[[", place.start) and isinstance(value[0], dict):
            return
        added = (", " if value else "") + '"new"'
        value.append("new")
    else:
        added = ("\n" if path or text[: place.body_end].strip() else "") + "new = 1" + ("" if path else "\n")
        value["new"] = 1
    assert tomllib.loads(text[: place.body_end] + added + text[place.body_end :]) == document


@given(
    st.one_of(_documents(), st.text(alphabet="ab.=[]{}\"'\\,# \n\r\t01-:é", max_size=60), st.text(max_size=40)),
    st.data(),
)
@example("a = [[" * 3000, None)
@example("a." * 5000, None)
@example("[" * 5000, None)
@example('a = """' + '"\\' * 3000, None)
def test_no_text_makes_it_raise_or_loop(text: str, data: st.DataObject | None) -> None:
    """The locator's own sentence: `it neither raises nor loops on any text`."""
    if data is not None and text:
        cut = data.draw(st.integers(0, len(text)))
        text = text[:cut] + text[cut + 1 :]
    found = places(text)
    assert nearest(found, ("no", 1, "such")) == found[()] or ("no",) in found
    assert all(0 <= p.start <= p.end <= len(text) and p.start <= p.body_end <= len(text) for p in found.values())


@pytest.mark.parametrize(
    ("text", "path", "expected"),
    [
        ("a = 1", ("a",), TomlPlace(1, 5, 4, 5, 0, 1, 5)),
        ("é = 'ü'\nb = 2".replace("é", '"é"'), ("b",), TomlPlace(2, 5, 14, 15, 10, 11, 15)),
        ("[t]\r\nk = [1,\r\n 22]\r\n", ("t", "k", 1), TomlPlace(3, 2, 15, 17, 15, 15, 17)),
        ("[[t]]\n[[ t ]]\nx=1 # c\n\n[u]", ("t", 1), TomlPlace(2, 1, 6, 13, 9, 10, 21)),
        ("[[t]]\n[[t]]", ("t",), TomlPlace(1, 1, 0, 5, 2, 3, 5)),
        ("[a.b]\n", ("a",), TomlPlace(1, 2, 1, 2, 1, 2, 2)),
        ("[a.b]\n[a]\nx = 1\n", ("a",), TomlPlace(2, 1, 6, 9, 7, 8, 15)),
        ("a.b = 1\na.c = 22", ("a",), TomlPlace(1, 1, 0, 1, 0, 1, 16)),
        ("i = { a.b = 1, c = 2 }", ("i",), TomlPlace(1, 5, 4, 22, 0, 1, 20)),
        ("i = { a.b = 1, c = 2 }", ("i", "a", "b"), TomlPlace(1, 13, 12, 13, 8, 9, 13)),
        ("# only a comment", (), TomlPlace(1, 1, 0, 0, 0, 0, 0)),
        ("x = 1\n[t]\n", (), TomlPlace(1, 1, 0, 0, 0, 0, 5)),
        ("i = {\n a = 1, # later TOML\n}\nb = 2", ("b",), TomlPlace(4, 5, 33, 34, 29, 30, 34)),
    ],
)
def test_places_by_hand(text: str, path: Path, expected: TomlPlace) -> None:
    assert places(text)[path] == expected


def test_only_the_given_paths_and_those_above_them() -> None:
    text = "a = [1, 2, {b = 3}]\n[t]\nc = 1\n"
    assert set(places(text, [("a", 2, "b"), ("no", "such")])) == {(), ("a",), ("a", 2), ("a", 2, "b")}


def test_a_surprise_keeps_what_was_found() -> None:
    found = places("a = 1\nb = [1, {c = %\nd = 2")
    assert set(found) == {(), ("a",), ("b",), ("b", 0), ("b", 1), ("b", 1, "c")}
    assert nearest(found, ("b", 1, "x", 3)) == found[("b", 1)]
    assert nearest(found, ("b", 1, "x")) == found[("b", 1)]
    assert nearest(found, ("d",)) == found[()]
