"""The guard before the parser: limits at the edge, bombs, and every refusal in words of our own."""

from __future__ import annotations

import sys
import tomllib

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.formats.toml_read import MAX_DEPTH, MAX_WORD, guard, load

LIMIT = 16 * 1024 * 1024


def refusal(data: bytes | str, limit: int = LIMIT) -> Finding:
    with pytest.raises(InputError) as refused:
        load(data.encode() if isinstance(data, str) else data, name="x.toml", max_bytes=limit)
    (problem,) = refused.value.problems
    assert isinstance(problem, Finding)
    assert problem.hint
    return problem


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * MAX_DEPTH + "]" * MAX_DEPTH,
        "a = " + "{a = " * MAX_DEPTH + "1" + "}" * MAX_DEPTH,
        ".".join("x" * MAX_DEPTH) + " = 1",
        "[" + " . ".join(["'x.y'"] * MAX_DEPTH) + "]",
        "[a]\n" * 1 + "".join(f"[a.b{n}]\n" for n in range(100)),
        'a = "' + "[" * 500 + '"',
        "a = '''" + "[{\n" * 500 + "'''",
        'a = """' + '\\"[' * 500 + '"""',
        "# " + "[" * 500,
        "a = [" + "1.5, " * 200 + "]",
        "\n".join(f"k{n} = 1.{n}" for n in range(200)),
        "a = " + "1" * MAX_WORD,
        'a = "' + "x" * 5000 + '"',
        "",
    ],
)
def test_what_is_deep_only_in_strings_comments_or_just_at_the_edge_is_read(text: str) -> None:
    assert load(text.encode(), name="x", max_bytes=LIMIT)[1] == tomllib.loads(text)


@pytest.mark.fault(48)
@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * (MAX_DEPTH + 1),
        "a = " + "[" * 200_000,
        "a = " + "{a = " * 200_000,
        "a = " + "[{a = " * 100_000,
        "a.b = " + "[\n#]\n" * 100,
        ".".join("x" * (MAX_DEPTH + 1)) + " = 1",
        "[" + ".".join(["'x'"] * 200_000) + "]",
        "a = " + '["]",' * 40,
    ],
)
def test_depth_bombs_are_refused_before_parsing(text: str) -> None:
    """trade/faults 48: `deep nesting (RecursionError in json and tomllib: ran)`."""
    assert refusal(text).code == "too-deep"


@pytest.mark.fault(48)
@pytest.mark.parametrize("text", ["a = " + "1" * 5000, "a = 0x" + "f" * 5000, "a = -" + "9" * 401, "x" * 500 + " = 1"])
def test_enormous_numbers_and_words_are_refused(text: str) -> None:
    """trade/faults 48: `5,000-digit numbers`."""
    assert refusal(text).code == "not-toml"


def test_what_the_guard_should_stop_is_still_caught_behind_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bundlekeeper.formats.toml_read._walk", lambda source: None)
    digits = sys.get_int_max_str_digits()
    assert refusal("a = " + "1" * (digits + 1)).code == "not-toml"
    assert refusal("a = " + "[" * 100_000).code == "too-deep"


@pytest.mark.parametrize(
    ("text", "where", "caret", "hint"),
    [
        ("a = 1\nb = yes\n", "x.toml:2:5", "b = yes\n    ^", "quotes"),
        ("a = 1\r\nb = = 2\r\n", "x.toml:2:5", "b = = 2\n    ^", "quotes"),
        ("a = 2026-02-30", "x.toml:1:5", "a = 2026-02-30\n    ^", "no such day"),
        ("a = 1\na = 2", "x.toml:2:6", "a = 2\n     ^", "twice"),
        ("[a]\n[a]\n", "x.toml:2:3", "[a]\n  ^", "double brackets"),
        ('a = "x\n', "x.toml:1:7", 'a = "x\n      ^', "quote"),
        ('a = "x', "x.toml:1:7", 'a = "x\n      ^', "quote"),
        ("a = [1 2]", "x.toml:1:8", "a = [1 2]\n       ^", "comma"),
        ("a = {b = 1\n}", "x.toml:1:11", "a = {b = 1\n          ^", "one line"),
        ("a = {b = 1, b = 2}", "x.toml:1:18", "a = {b = 1, b = 2}\n                 ^", "keep one"),
        ("a 1", "x.toml:1:3", "a 1\n  ^", "key = value"),
        ("= 1", "x.toml:1:1", "= 1\n^", "toml"),
        ("é = 1", "x.toml:1:1", "é = 1\n^", "toml"),
        ('a = "\\q"', "x.toml:1:8", 'a = "\\q"\n       ^', "backslash"),
        ("a = 1 b = 2", "x.toml:1:7", "a = 1 b = 2\n      ^", "one statement"),
        ("\ta = \x01", "x.toml:1:6", "\\ta = \\x01\n      ^", "quotes"),
        ("a = '\u202e' x", "x.toml:1:9", "a = '\\u202e' x\n             ^", "one statement"),
    ],
)
def test_what_is_not_toml_is_shown_with_line_column_caret_and_hint(
    text: str, where: str, caret: str, hint: str
) -> None:
    problem = refusal(text)
    assert (problem.code, problem.where, problem.excerpt) == ("not-toml", where, caret)
    assert hint in problem.hint
    assert problem.message.startswith("not TOML: ")
    assert " at " not in problem.message


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("size = 1,284,308", "no comma"),
        ("size = 1.284.308", "no comma"),
        ("minutes = 1,5", "no comma"),
        ("platform = “marram”", "curly"),
        ("platform = ‘marram’", "curly"),
        ("issued = 03.02.2025", "year-month-day"),
        ("issued = 3/2/2025", "year-month-day"),
        ('note = "1,284 and “x”" more', "one statement on a line"),  # what is inside a text is no cause
    ],
)
def test_the_usual_cause_is_the_hint(line: str, hint: str) -> None:
    """Common practice: numbers, dates and quotes as an office program writes them."""
    assert hint in refusal(f"a = 1\n{line}\n").hint


@pytest.mark.fault(49)
def test_sizes() -> None:
    assert load(b"a = 1     ", name="x", max_bytes=10)[1] == {"a": 1}
    problem = refusal(b"a = 1      ", limit=10)
    assert (problem.code, problem.message) == ("too-large", "11 bytes, more than 10")


def test_the_place_of_a_byte_that_is_no_utf8() -> None:
    problem = refusal("é = 1\r\nb = 'x".encode() + b"\x80' # more\r\n")
    assert problem.where == "x.toml:2:7"
    assert problem.message == "byte 14 (0x80) is no UTF-8"
    assert problem.excerpt == "b = 'x\\x80' # more\n      ^"
    assert refusal(b"a = '\xe2\x82").where == "x.toml:1:6"


@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(lambda t: t.encode("utf-8", "replace"))))
@example(b"\xff")
def test_nothing_but_our_own_errors_comes_out(data: bytes) -> None:
    """`nothing but our own error family may come out`."""
    try:
        source, document = load(data, name="x", max_bytes=LIMIT)
    except InputError as refused:
        assert len(refused.problems) == 1
    else:
        assert tomllib.loads(source.text) == document or "nan" in source.text


@given(st.text(alphabet="a.=[]{}\"'\\,# \n1", max_size=80))
def test_the_guard_passes_what_the_parser_reads(text: str) -> None:
    """The guard's own sentence: it `judges nothing else` than size, encoding, depth and count."""
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert guard(text.encode(), name="x", max_bytes=LIMIT).text == text
