"""Checksum lists against the system's own tools, in both directions, and against damage."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.model.manifest import checksum_list
from bundlekeeper.model.manifest.checksum_list import LIST_CODES, ChecksumLine, ChecksumList, parse
from tests.kits.checksum_lines import format_line

# FIPS 180-4 example values (NIST): the empty message and `abc`.
EMPTY = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"

NAMES = [
    b"marram-infrastructure-6.1.0.bin",
    b"back\\slash",
    b"new\nline",
    b"return\rhere",
    b"both\\n\n\r",
    b"  two blanks first",
    b"*star",
    b"-leading-dash",
    b"--tag",
    b"# no comment",
    b"brackets (x) = y",
    b"SHA256 (a) = b",
    b"not utf-8 \xff\xfe",
    "Unicode Ålesund 鍵".encode(),
    b"trailing blank ",
]


def read(text: str | bytes, name: str = "SHA256SUMS") -> ChecksumList:
    return parse(text if isinstance(text, bytes) else text.encode(), name=name)


def only(text: str | bytes) -> ChecksumLine:
    (line,) = read(text).lines
    return line


def need(tool: str) -> str:
    found = shutil.which(tool)
    if found is None:
        pytest.skip(f"no {tool} on this system to compare with")
    return found


def run(*command: str | bytes, cwd: Path, stdin: bytes = b"") -> bytes:
    done = subprocess.run(
        command, cwd=cwd, input=stdin, capture_output=True, env={**os.environ, "LC_ALL": "C"}, check=False
    )
    assert done.returncode == 0, (done.stdout, done.stderr)
    return done.stdout


@pytest.fixture
def files(tmp_path: Path) -> Path:
    for name in NAMES:
        with open(os.path.join(os.fsencode(tmp_path), name), "wb") as file:
            file.write(hashlib.sha256(name).digest())
    return tmp_path


def digests() -> dict[str, str]:
    return {os.fsdecode(name): hashlib.sha256(hashlib.sha256(name).digest()).hexdigest() for name in NAMES}


# --- the system's lists, read by us (coreutils manual, "cksum output modes") -------------------------------------


@pytest.mark.parametrize("options", [[], ["-b"], ["-t"], ["--tag"]])
def test_lists_made_by_sha256sum(files: Path, options: list[str]) -> None:
    made = read(run(need("sha256sum"), *options, "--", *NAMES, cwd=files))
    assert {line.file: line.digest for line in made.lines} == digests()
    assert {line.algorithm for line in made.lines} == {"SHA256"}
    assert {line.binary for line in made.lines} == {options == ["-b"]}
    assert {line.tagged for line in made.lines} == {options == ["--tag"]}
    assert [line.line for line in made.lines] == list(range(1, len(NAMES) + 1))


@pytest.mark.parametrize(
    ("tool", "algorithm"),
    [
        (["md5sum"], "MD5"),
        (["sha1sum"], "SHA1"),
        (["sha224sum"], "SHA224"),
        (["sha384sum"], "SHA384"),
        (["sha512sum"], "SHA512"),
        (["md5sum", "--tag"], "MD5"),
        (["sha1sum", "--tag"], "SHA1"),
        (["sha512sum", "--tag"], "SHA512"),
        (["b2sum", "--tag"], "BLAKE2b"),
        (["b2sum", "--tag", "-l", "256"], "BLAKE2b-256"),
    ],
)
def test_other_algorithms_are_named_as_such(files: Path, tool: list[str], algorithm: str) -> None:
    made = read(run(need(tool[0]), *tool[1:], "--", *NAMES, cwd=files))
    assert {line.algorithm for line in made.lines} == {algorithm}
    assert {line.file for line in made.lines} == set(digests())


@pytest.mark.parametrize(
    ("option", "algorithm"), [("-sha256", "SHA256"), ("-sha512-256", "SHA512-256"), ("-sha3-256", "SHA3-256")]
)
def test_lists_made_by_openssl(tmp_path: Path, option: str, algorithm: str) -> None:
    (tmp_path / "abc").write_bytes(b"abc")
    line = only(run(need("openssl"), "dgst", option, "abc", cwd=tmp_path))
    assert (line.algorithm, line.file) == (algorithm, "abc")
    assert (line.digest == ABC) is (algorithm == "SHA256")


# --- our lists, read by the system -------------------------------------------------------------------------------


@pytest.mark.parametrize("tagged", [False, True])
@pytest.mark.parametrize("binary", [False, True])
def test_sha256sum_accepts_our_lists(files: Path, tagged: bool, binary: bool) -> None:
    ours = b"".join(format_line(name, digest, tagged=tagged, binary=binary) for name, digest in digests().items())
    said = run(need("sha256sum"), "-c", "--strict", cwd=files, stdin=ours)
    assert said.count(b": OK\n") == len(NAMES)


# The judgement of `sha256sum -c --strict` on whether a list's form is good must be ours too; `{}` is the digest of
# every file that is there.
FORMS = [
    b"{}  abc\n",
    b"{} *abc\r\n",
    b"{} abc\n",
    b"\n\n# comment\n{}  abc\n",
    b"  {}  abc\n",
    b"SHA256 (abc) = {}\n",
    b"SHA256(abc)= {}\n",
    b"\\{}  a\\\\b\n",
    b"\\SHA256 (a\\nb) = {}\n",
    b"\\{}  a\\tb\n",
    b"\\{}  ab\\\n",
    b"{}  abc\n{} abc\n",
    b"{} abc\n{}  abc\n",
    b"{}\n",
    b"{}abc\n",
    b"x{}  abc\n",
    b"{}0  abc\n",
    b"SHA256 abc = {}\n",
    b"SHA256 (abc) {}\n",
    b"SHA256 (abc = {}\n",
    b"SHA256 (abc) = {}0\n",
]


@pytest.mark.parametrize("form", FORMS)
def test_forms_are_judged_as_sha256sum_judges_them(tmp_path: Path, form: bytes) -> None:
    for name in ("abc", " abc", "a\\b", "a\nb"):
        (tmp_path / name).write_bytes(b"abc")
    text = form.replace(b"{}", ABC.encode())
    command = [need("sha256sum"), "-c", "--strict", "-"]
    theirs = subprocess.run(command, cwd=tmp_path, input=text, capture_output=True, check=False).returncode == 0
    try:
        ours = {line.file for line in read(text).lines} <= {"abc", " abc", "a\\b", "a\nb"}
    except InputError:
        ours = False
    assert ours is theirs


# --- forms, one by one -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "file", "algorithm"),
    [
        (f"{ABC.upper()}  x", "x", "SHA256"),
        (f"\ufeff{ABC}  x\r\n", "x", "SHA256"),
        (f"{ABC} one blank", "one blank", "SHA256"),
        (f"{ABC}\tx", "x", "SHA256"),
        (f"{ABC}  ", " ", "SHA256"),
        (f"{ABC}   x", " x", "SHA256"),
        (f"SHA2-256 (x) = {ABC}", "x", "SHA256"),
        (f"SHA-256 (x) = {ABC}", "x", "SHA256"),
        (f"sha256 (x) = {ABC}", "x", "SHA256"),
        (f"SHA512/256 (x) = {ABC}", "x", "SHA512-256"),
        (f"SHA2-512/256(x)= {ABC}", "x", "SHA512-256"),
        (f"SHA512-256 (x) = {ABC}", "x", "SHA512-256"),
        (f"SHA3-256 (x) = {ABC}", "x", "SHA3-256"),
        (f"SM3 (x) = {ABC}", "x", "SM3"),
        (f"BLAKE2b-256 (x) = {ABC}", "x", "BLAKE2b-256"),
        (f"BLAKE2B-512 (x) = {ABC}{ABC}", "x", "BLAKE2b"),
        (f"SHA256 (a (b) = c) = {ABC}", "a (b) = c", "SHA256"),
        (f"{ABC} (x) = y", "(x) = y", "SHA256"),
    ],
)
def test_accepted(text: str, file: str, algorithm: str) -> None:
    line = only(text)
    assert (line.file, line.algorithm) == (file, algorithm)
    assert line.digest == line.digest.lower()


def test_a_list_with_one_space_keeps_the_blank_of_a_name() -> None:
    """coreutils takes the first line's form for the whole list, so a name's own blank or star is never eaten."""
    assert [x.file for x in read(f"{ABC} abc\n{ABC}  abc\n{ABC} *abc\n").lines] == ["abc", " abc", "*abc"]


def test_names_are_found_by_their_last_part() -> None:
    text = f"{ABC}  ./a.bin\n{EMPTY}  6.1/a.bin\n{ABC}  b.bin\n"
    assert {k: [x.file for x in v] for k, v in read(text).by_base_name().items()} == {
        "a.bin": ["./a.bin", "6.1/a.bin"],
        "b.bin": ["b.bin"],
    }


SIGNED = f"""-----BEGIN PGP SIGNED MESSAGE-----
Hash: SHA256

{ABC}  x
- -----dashes are escaped: this line is bad
-----BEGIN PGP SIGNATURE-----

iHUEARYKAB0WIQ
-----END PGP SIGNATURE-----
"""
GOOD_SIGNED = SIGNED.replace("- -----dashes are escaped: this line is bad\n", f"- {EMPTY}  y\n")


def test_a_clear_signed_frame_is_read_through() -> None:
    """RFC 9580 §7: armour header line, Hash headers, an empty line, dash-escaped text, the signature."""
    made = read(GOOD_SIGNED)
    assert made.framed
    assert [(x.file, x.line) for x in made.lines] == [("x", 4), ("y", 5)]
    assert not read(f"{ABC}  x").framed


def test_what_no_signature_covers_is_refused() -> None:
    for text in (
        f"{ABC}  z\n{GOOD_SIGNED}",
        f"{GOOD_SIGNED}{ABC}  z\n",
        GOOD_SIGNED.replace("Hash: SHA256", f"Hash: SHA256\n{ABC}  z"),
        GOOD_SIGNED.partition("-----END")[0],
        GOOD_SIGNED.partition("-----BEGIN PGP SIGNATURE")[0],
    ):
        with pytest.raises(InputError) as caught:
            read(text)
        assert caught.value.hint


def test_the_caret_counts_the_dash_escape() -> None:
    with pytest.raises(InputError) as caught:
        read(SIGNED)
    (problem,) = caught.value.problems
    assert problem.where == "SHA256SUMS:5:3"
    assert problem.excerpt.endswith("\n  ^")


# --- refusals ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "code", "column", "message"),
    [
        (f"{ABC[:-1]}  x", "list-digest", 1, "a digest of 63 digits; SHA-256 has 64"),
        (f"{ABC[:8]}  x", "list-digest", 1, "a digest of 8 digits; SHA-256 has 64"),
        (f"{ABC[:10]}O{ABC[11:]}  x", "list-digest", 11, "O is not hexadecimal"),
        (f"SHA256 (x) = {ABC[:5]}g{ABC[6:]}", "list-digest", 19, "g is not hexadecimal"),
        (f"SHA256 (x) = {ABC}00", "list-digest", 14, "a digest of 66 digits; SHA256 has 64"),
        (f"MD5 (x) = {ABC}", "list-digest", 11, "a digest of 64 digits; MD5 has 32"),
        (f"BLAKE2b-256 (x) = {ABC}0", "list-digest", 19, "a digest of 65 digits; BLAKE2b-256 has 64"),
        ("SM3 (x) = ", "list-digest", 11, "a digest of 0 digits; SM3 has more"),
        (ABC, "list-name", 65, "a digest without a file name"),
        (f"{ABC}  ", "list-name", 67, "a digest without a file name"),
        (f"{ABC} *", "list-name", 67, "a digest without a file name"),
        (f"SHA256 () = {ABC}", "list-name", 9, "a digest without a file name"),
        (f"\\{ABC}  a\\tb", "list-name", 69, "\\t is not an escape"),
        (f"\\{ABC}  ab\\", "list-name", 70, "\\ is not an escape"),
        (f"{ABC}  {'x' * 5000}", "list-name", 67, "a file name of 5000 characters"),
        (f"{ABC};x", "list-line", 65, "something other than a blank after the digest"),
        (f"{ABC}  x\0", "list-line", 68, "the line has a zero byte"),
        ("<html>", "list-line", 1, "not a line of a checksum list"),
        ("  so it goes", "list-line", 3, "not a line of a checksum list"),
    ],
)
def test_bad_lines_are_reported_with_their_places(text: str, code: str, column: int, message: str) -> None:
    with pytest.raises(InputError) as caught:
        read(f"{EMPTY}  good\n{text}\n", "LIST")
    (problem,) = caught.value.problems
    assert (problem.code, problem.where, problem.message) == (code, f"LIST:2:{column}", message)
    assert problem.level is LIST_CODES[code].level
    assert problem.hint
    assert len(problem.excerpt.split("\n")) == 2


def test_all_bad_lines_are_reported_at_once() -> None:
    """Style 5: 'Every problem at once, not the first.'"""
    with pytest.raises(InputError) as caught:
        read(f"bad\n{ABC}  x\n\nworse\r\n{ABC} y\n{ABC}  {'z' * 9999}\n")
    assert [p.where.split(":")[1] for p in caught.value.problems] == ["1", "4", "5", "6"]
    assert caught.value.message == "4 bad lines in the checksum list"
    assert caught.value.where == "SHA256SUMS"


def test_endless_bad_lines_are_counted_and_not_kept() -> None:
    with pytest.raises(InputError, match=r"^5000 bad lines .* the first 1000 are shown$") as caught:
        read("x\n" * 5000)
    assert len(caught.value.problems) == checksum_list.MAX_PROBLEMS


@pytest.mark.parametrize(
    "data", [b"", b"\n\n", b"# nothing\n", b"\xff\xfea\0", b"\xfe\xff\0a", b"#" * (limits.CHECKSUM_LIST_BYTES + 1)]
)
def test_refused_whole(data: bytes) -> None:
    with pytest.raises(InputError) as caught:
        read(data)
    assert caught.value.hint
    assert not caught.value.problems


# --- properties --------------------------------------------------------------------------------------------------

names = st.binary(min_size=1, max_size=40).filter(lambda b: b"\0" not in b).map(os.fsdecode)


@given(
    st.lists(st.tuples(names, st.binary(min_size=32, max_size=32)), min_size=1, max_size=5),
    st.booleans(),
    st.booleans(),
)
def test_what_is_written_is_read_back(rows: list[tuple[str, bytes]], tagged: bool, binary: bool) -> None:
    """'A name is kept byte for byte.'"""
    text = b"".join(format_line(name, digest.hex(), tagged=tagged, binary=binary) for name, digest in rows)
    made = parse(text, name="x")
    assert [(x.file, x.digest, x.algorithm) for x in made.lines] == [(n, d.hex(), "SHA256") for n, d in rows]


def test_only_our_own_errors_come_out_of_damaged_lists() -> None:
    """Style 7: 'A test throws seeded mutations of valid input at each parser' (seed 4)."""
    rng = random.Random(4)
    whole = b"".join(format_line(os.fsdecode(n), ABC, tagged=i % 2 == 1) for i, n in enumerate(NAMES))
    seeds = [whole, GOOD_SIGNED.encode(), b"\xef\xbb\xbf" + whole.replace(b"\n", b"\r\n")]
    refused = 0
    for _ in range(3000):
        data = bytearray(rng.choice(seeds))
        for _ in range(rng.randint(1, 4)):
            at = rng.randrange(len(data))
            data[at : at + rng.choice([0, 1, 1, 30])] = rng.choice(
                [b"", b"\0", b"\\", b"\n", b"\r", b" ", b"(", b"\xff"]
            )
        try:
            made = parse(bytes(data), name="x")
        except InputError as error:
            refused += 1
            assert error.hint
            assert all(problem.where and problem.excerpt for problem in error.problems)
        else:
            assert all(line.file and line.digest for line in made.lines)
    assert refused > 1000
