"""Names that become paths: every rule by example, and the promises by property."""

from __future__ import annotations

import os
import re
import unicodedata
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bundlekeeper.formats import limits, safe_names
from bundlekeeper.formats.safe_names import collision_key, problems_of_name, safe_folder

GOOD = [
    "marram-infrastructure-6.1.0.bin", "a", "A b.c", "x~1", ".hidden", "é.bin", "CONSOLE.bin", "COM10", "nul-1.bin",
    "LPT.bin", "a..b", "(1).bin", "x%20y", "Ω.bin", "日本.bin", "x" * 240,
]  # fmt: skip

BAD = [
    ("", "empty"), (".", "dots"), ("..", "dots"), ("a/b", "separator"), ("../x", "separator"), ("a\\b", "separator"),
    ("a\0b", "nul"), ("a\nb", "control"), ("a\x1b[31m", "control"), ("a\x7f", "control"), ("a\x9bb", "control"),
    ("a\u202eb", "format"), ("a\u200bb", "format"), ("a\u2028b", "format"), ("a\ue000b", "format"),
    ("a\U000e0041b", "format"), ("a\ufeffb", "format"), ("a\udcffb", "undecodable"), ("a\ud800b", "undecodable"),
    ("-x", "hyphen"), ("~x", "tilde"), (" x", "blank"), ("x ", "blank"), ("\u00a0x", "blank"), ("x.", "dot"),
    ("CON", "device"), ("con.bin", "device"), ("NUL.tar.gz", "device"), ("Aux .bin", "device"), ("prn", "device"),
    ("COM1.bin", "device"), ("lpt9", "device"), ("COM¹.bin", "device"), ("LPT³", "device"), ("CONIN$", "device"),
    ("a<b", "windows"), ("a>b", "windows"), ("a:b", "windows"), ('a"b', "windows"), ("a|b", "windows"),
    ("a?b", "windows"), ("a*b", "windows"), ("C:x", "drive"), ("C:\\x", "drive"), ("e\u0301.bin", "form"),
    ("\u212b.bin", "form"), ("x" * 256, "long"), ("é" * 128, "long"), ("x" * 241, "long"),
    (".keeper", "own"), (".Part-1", "own"),
]  # fmt: skip


@pytest.mark.parametrize("name", GOOD)
def test_a_good_name_has_no_problem(name: str) -> None:
    assert problems_of_name(name) == []


@pytest.mark.fault(26)
@pytest.mark.fault(29)
@pytest.mark.fault(31)
@pytest.mark.fault(32)
@pytest.mark.parametrize(("name", "reason"), BAD)
def test_each_sort_of_bad_name_is_reported(name: str, reason: str) -> None:
    problems = problems_of_name(name)
    assert reason in {p.reason for p in problems}
    for problem in problems:
        assert (problem.message + problem.hint).isprintable()
        assert problem.message
        assert problem.hint


def test_all_problems_of_a_name_at_once_with_their_places() -> None:
    problems = {p.reason: p.at for p in problems_of_name("-a/b\u202e?\x01 ")}
    assert problems == {"hyphen": 0, "separator": 2, "format": 4, "windows": 5, "control": 6, "blank": 7}


@pytest.mark.fault(26)
@pytest.mark.fault(32)
@given(st.text(min_size=1, max_size=300))
@example("\ud800")
def test_what_passes_can_be_a_file(name: str) -> None:
    """trade/faults 26-32: what has no problem is one plain component of a path."""
    if not problems_of_name(name):
        assert os.path.basename(name) == name
        assert len(os.fsencode(name)) <= limits.NAME_BYTES
        assert all(c.isprintable() or c.isspace() for c in name)


@pytest.mark.fault(28)
@given(st.text(st.characters(), max_size=30))
def test_the_collision_key_is_stable_and_blind_to_form_and_case(name: str) -> None:
    """Unicode D145: `A string X is a canonical caseless match for a string Y`; comparing twice changes nothing."""
    key = collision_key(name)
    assert collision_key(key) == key
    assert collision_key(unicodedata.normalize("NFD", name)) == key
    assert collision_key(unicodedata.normalize("NFC", name)) == key
    assert collision_key(name.casefold()) == key


@pytest.mark.fault(28)
@pytest.mark.parametrize(
    ("one", "other"),
    [("A.bin", "a.bin"), ("é", "E\u0301"), ("STRASSE", "straße"), ("\u212b", "å"), ("ΣΣ", "σς"), ("\u1fb3", "αι")],
)
def test_names_that_are_one_on_some_file_system(one: str, other: str) -> None:
    assert collision_key(one) == collision_key(other)


@pytest.mark.parametrize("version", ["6.1.0", "6.1.0-p2", "5.4.3a", "2.0~rc1", "6.1 build 3", "1+b_2", "4.10 3b"])
def test_usual_versions_are_their_own_folder(version: str) -> None:
    assert safe_folder(version) == version


@pytest.mark.parametrize(
    ("version", "folder"),
    [
        ("1:2.3", "1%3a2.3"), ("..", "%2e%2e"), (".", "%2e"), ("6.", "6%2e"), ("CON", "%43ON"), ("../x", "%2e.%2fx"),
        ("com1.2", "%63om1.2"), ("-1", "%2d1"), ("50%", "50%25"), ("é", "%c3%a9"), (" 1 ", "%201%20"), ("", "%"),
    ],
)  # fmt: skip
def test_other_versions_are_written_safely(version: str, folder: str) -> None:
    assert safe_folder(version) == folder


_VERSIONS = st.one_of(
    st.text(st.characters(), max_size=20),
    st.text(st.sampled_from(".-~ %20eC:/NUcon1²"), max_size=8),
    st.text(st.sampled_from("é/1"), min_size=100, max_size=140),
)


@given(_VERSIONS, _VERSIONS)
@example(".", "%2e")
@example("a.", "a%2e")
@example("x" * 120, "x" * 121)
def test_one_version_one_safe_folder(one: str, other: str) -> None:
    """names.py: `written so that it is safe, one version one folder`."""
    assert problems_of_name(safe_folder(one)) == []
    assert (safe_folder(one) == safe_folder(other)) == (one == other)


def test_a_safe_folder_can_be_made(tmp_path: Path) -> None:
    for version in ["..", "/", "\0", "x" * 500, "\ud800", "NUL", "", "a\n"]:
        (tmp_path / safe_folder(version)).mkdir()
    assert len(list(tmp_path.iterdir())) == 8


@given(
    st.text(alphabet="CONnul1.-~ ()+:/_aé", max_size=12) | st.from_regex(r"[A-Za-z0-9.~ -]{238,242}", fullmatch=True)
)
@example("nul")
@example("a.")
@example("a ")
def test_the_short_check_for_plain_names_equals_the_long_one(name: str) -> None:
    with pytest.MonkeyPatch.context() as patch:
        short = problems_of_name(name)
        patch.setattr(safe_names, "_PLAIN", re.compile(r"(?!)"))
        assert problems_of_name(name) == short


@given(st.characters(exclude_categories=()))
@example("\x7f")
@example("\u2028")
def test_every_printable_character_is_allowed_but_those_of_the_list(char: str) -> None:
    listed = safe_names._NOT_ALLOWED.search(char) is not None
    assert bool(safe_names._sort(char)) == (listed or (not char.isprintable() and unicodedata.category(char) != "Zs"))


@given(st.text(alphabet=st.characters(max_codepoint=127)))
def test_the_short_key_of_an_ascii_name_equals_unicodes(name: str) -> None:
    assert collision_key(name) == unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())
