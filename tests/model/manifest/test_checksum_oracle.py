"""Odd checksum lists, line by line, against the system's own sha256sum (GNU coreutils, `--check --warn`)."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.model.manifest.checksum_list import parse
from bundlekeeper.model.manifest.looks_like_list import is_list

# FIPS 180-4's example value for `abc` (NIST).
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
SHA256SUM = shutil.which("sha256sum")
pytestmark = pytest.mark.skipif(SHA256SUM is None, reason="no sha256sum on this system to compare with")


def escaped(name: str) -> str:
    return "\\" + name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("empty")


def theirs(text: str, empty: Path) -> tuple[list[int], list[str]]:
    """The numbers of the lines that sha256sum calls badly formed, and the names of all others in their order.

    It is run in a folder without files, so that every well-formed line's name comes back as one that could not be read.
    """
    done = subprocess.run(
        [SHA256SUM or "", "--check", "--warn", "-"],
        input=text.encode(),
        capture_output=True,
        cwd=empty,
        env={**os.environ, "LC_ALL": "C"},
        check=False,
    )
    bad = [int(n) for n in re.findall(rb"'standard input': ([0-9]+): improperly formatted", done.stderr)]
    names = []
    for row in done.stdout.decode().split("\n")[:-1]:
        names.append(row.removesuffix(": FAILED open or read"))
        assert names[-1] != row, row
    return bad, names


def ours(text: str) -> tuple[list[int], list[str]]:
    """The same of our reader, which names no file of a list with a bad line."""
    try:
        return [], [line.file for line in parse(text.encode(), name="SUMS").lines]
    except InputError as error:
        return [int(p.subject.removeprefix("line ")) for p in error.problems], []


names = st.text(st.sampled_from(" \t*\\ab()=#n"), min_size=0, max_size=5).filter(lambda name: name != "-")
digests = st.sampled_from([ABC, ABC, ABC, ABC, ABC, ABC.upper(), ABC[1:], ABC + "0", ABC[:-1] + "g"])
between = st.sampled_from(["  ", " *", " ", "\t", "\t ", "\t*", " \t", "   ", ""])
plain = st.builds("{}{}{}{}".format, st.sampled_from(["", "", "", "\\", " ", "\t"]), digests, between, names)
equals = st.sampled_from([" = ", "=", "= ", " =", "  =\t", "\t=  ", " ", " == "])
tagged = st.builds(
    "{}SHA256{}({}){}{}{}".format,
    st.sampled_from(["", "", "\\", " "]),
    st.sampled_from([" ", "", "  ", "\t"]),
    names.filter(bool),  # a file without a name: sha256sum tries to open it, we call the line bad
    equals,
    digests,
    st.sampled_from(["", "", " "]),
)
comments = st.sampled_from(["# a remark", " # a remark", ""])
lines = st.lists(st.one_of(plain, plain, plain, tagged, comments), min_size=1, max_size=5)


@settings(max_examples=400)
@given(rows=lines, end=st.sampled_from(["\n", "\r\n"]))
@example(rows=[f"{ABC}  "], end="\n")
@example(rows=[f"{ABC} *"], end="\n")
@example(rows=[f"{ABC}  ", f"{ABC}  a"], end="\n")
@example(rows=[f"{ABC}  a", f"{ABC}  "], end="\n")
@example(rows=[f"{ABC}\ta"], end="\n")
@example(rows=[f"{ABC}\t a", f"{ABC}  b"], end="\n")
@example(rows=[f"{ABC}  a", f"{ABC}\tb"], end="\n")
@example(rows=[f"{ABC} \ta"], end="\n")
@example(rows=[f"SHA256 (a)\t=\t\t{ABC}"], end="\n")
def test_each_line_is_judged_and_read_as_sha256sum_does(empty: Path, rows: list[str], end: str) -> None:
    text = "".join(row + end for row in rows)
    bad, named = theirs(text, empty)
    our_bad, our_names = ours(text)
    assert our_bad == bad
    if not bad and named:
        # Which names it prints with escapes differs from one release to the next.
        assert all(theirs in (ours, escaped(ours)) for ours, theirs in zip(our_names, named, strict=True)), our_names


@pytest.mark.parametrize("line", [f"{ABC}\ta.bin\n", f"{ABC}\t a.bin\n", f"SHA256 (a.bin)\t= {ABC}\n"])
def test_a_list_with_tabs_is_known_for_a_list(line: str) -> None:
    """So that it is never drafted as if it were firmware."""
    assert is_list("files.bin", line.encode(), whole=True)


ALMOST = {
    "a digest that lost a digit": f"{'a' * 63}  a.bin\n",
    "the name first": f"a.bin: {'a' * 64}\n",
    "after a remark": f"# ours\n\n{'a' * 63}  a.bin\n",
}


@pytest.mark.parametrize("text", ALMOST.values(), ids=ALMOST.keys())
def test_what_is_almost_a_list_is_no_firmware(text: str) -> None:
    """A list that cannot be read is refused as a list; drafting it as a bundle would make its digest a bundle's."""
    assert is_list("files.txt", text.encode(), whole=True)
    with pytest.raises(InputError):
        parse(text.encode(), name="files.txt")


@pytest.mark.parametrize(
    "text",
    [
        ":10010000214601360121470136007EFE09D2190140\n:00000001FF\n",  # Intel HEX, from memory
        "S1137AF00A0A0D0000000000000000000000000061\nS9030000FC\n",  # Motorola S-records, from memory
    ],
)
def test_firmware_as_text_is_no_list(text: str) -> None:
    assert not is_list("a.bin", text.encode(), whole=True)
