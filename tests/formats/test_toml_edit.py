"""Changes to a TOML text touch what they mean and nothing else; tomllib is the judge of what the text says."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError, KeeperError
from bundlekeeper.formats import toml_edit
from bundlekeeper.formats.toml_edit import Edit, basic_string, literal

unicode_text = st.text(st.characters(exclude_categories=["Cs"]), max_size=60)


@given(unicode_text)
def test_a_basic_string_reads_back_exactly(text: str) -> None:
    """TOML 1.0.0, 'String': any Unicode character may be used except those that must be escaped."""
    shown = basic_string(text)
    assert tomllib.loads(f"a = {shown}  # {shown}") == {"a": text}
    assert shown.isprintable()


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ('a"b\\c', '"a\\"b\\\\c"'),
        ("\t\n\r\b\f", '"\\t\\n\\r\\b\\f"'),
        ("\x00\x7f\x85", '"\\u0000\\u007F\\u0085"'),
        ("\u202efdp", '"\\u202Efdp"'),  # UAX #9: would show the name backwards
        ("\U000e0001", '"\\U000E0001"'),
        ("Åle 鍵", '"Åle 鍵"'),
    ],
)
def test_basic_string_examples(text: str, shown: str) -> None:
    assert basic_string(text) == shown


def test_undecodable_bytes_are_refused() -> None:
    with pytest.raises(InputError, match=r"a\\xff is not UTF-8"):
        basic_string("a\udcff")


def test_numbers_are_written_in_threes() -> None:
    assert literal(1284308992) == "1_284_308_992"


TEXT = """\
# head
sequence = 14   # only goes up

[[bundle]]
    file = "a"      # the first
    size = 0x10
[bundle.signature]
file = "a.sig"

[[bundle]]
file = '''
b'''   # the second

[[release]]  # last
name = "6.1"
"""


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_values_are_put_where_they_belong(newline: str) -> None:
    edit = Edit(TEXT.replace("\n", newline), name="m.toml")
    edit.put((), "sequence", 15, after="sequence")
    edit.put(("bundle", 0), "size", 17, after="file")
    edit.put(("bundle", 0), "sha256", "x", after="file")
    edit.put(("bundle", 1), "size", 18, after="file")
    edit.put(("bundle", 1), "sha256", "y", after="file")
    edit.add("bundle", ['file = "c"  # REVIEW'])
    edit.add("bundle", ['file = "d"'])
    wanted = (
        TEXT.replace("= 14 ", "= 15 ")
        .replace("0x10", "17")
        .replace("# the first\n", '# the first\n    sha256 = "x"\n')
        .replace("# the second\n", '# the second\nsize = 18\nsha256 = "y"\n')
    )
    wanted += '\n[[bundle]]\nfile = "c"  # REVIEW\n\n[[bundle]]\nfile = "d"\n'
    assert edit.result() == wanted.replace("\n", newline)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ('[[bundle]]\nfile = "a"', '[[bundle]]\nfile = "a"\nsize = 1\nsha256 = "x"\n\n[[bundle]]\nfile = "c"\n'),
        ('bundle = [{file = "a"}]', 'bundle = [{file = "a", size = 1, sha256 = "x"}, { file = "c" }]'),
        (
            'bundle = [\n  { file = "a" }, # one\n]\n',
            'bundle = [\n  { file = "a", size = 1, sha256 = "x" }, { file = "c" }, # one\n]\n',
        ),
        (
            '[[bundle]]\n# above\nfile = "a" # beside\n# below',
            '[[bundle]]\n# above\nfile = "a" # beside\nsize = 1\nsha256 = "x"\n# below\n\n[[bundle]]\nfile = "c"\n',
        ),
    ],
)
def test_texts_without_a_last_line_end_and_inline_tables(text: str, wanted: str) -> None:
    edit = Edit(text, name="m.toml")
    edit.put(("bundle", 0), "size", 1, after="file")
    edit.put(("bundle", 0), "sha256", "x", after="file")
    edit.add("bundle", ['file = "c"'])
    assert edit.result() == wanted


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", '\n[[bundle]]\nfile = "c"\n'),
        ("a = 1", 'a = 1\n\n[[bundle]]\nfile = "c"\n'),
        ("bundle = []\na = 1\n", 'bundle = [ { file = "c" }]\na = 1\n'),
    ],
)
def test_the_first_element_of_an_array(text: str, wanted: str) -> None:
    edit = Edit(text, name="m.toml")
    assert not edit.changed
    edit.add("bundle", ['file = "c"'])
    assert edit.changed
    assert edit.result() == wanted


def test_values_that_are_equal_to_nothing_do_no_harm() -> None:
    edit = Edit("a = nan\nb = 2026-11-25\n", name="m.toml")
    assert edit.result() == "a = nan\nb = 2026-11-25\n"


def test_a_result_that_says_something_else_is_our_bug_and_never_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(toml_edit, "literal", lambda value: "1\nb = 2")
    edit = Edit("a = 0\n", name="m.toml")
    edit.put((), "a", 1, after="a")
    with pytest.raises(KeeperError, match="was not changed") as caught:
        edit.result()
    assert caught.value.exit_code == 70


@pytest.mark.parametrize("text", ["a = ", "\udcff = 1", "a = [" * 2000, "\ufeffa = 1", "a = 1" * 4_000_000])
def test_what_is_no_toml_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        Edit(text, name="m.toml")


def test_a_place_that_is_not_found_is_reported() -> None:
    edit = Edit("a = 1\n", name="m.toml")
    with pytest.raises(InputError) as caught:
        edit.put((), "b", 2, after="c")
    assert (caught.value.message, caught.value.where) == ("the place of c was not found in the text", "m.toml")
