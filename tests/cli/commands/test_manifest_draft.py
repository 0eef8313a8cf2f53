"""`manifest draft` as a user runs it: lists, files, folders, and what each of them may not become."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.model.manifest.looks_like_list import is_list
from tests.conftest import Keeper

ONE, TWO, THREE = "1" * 64, "2" * 64, "3" * 64
MD5 = "c" * 32
BLADE, RACK, INFRA = (f"marram-{family}-6.1.0.bin" for family in ("blade", "rack", "infrastructure"))


def bundles(text: str) -> dict[str, dict[str, Any]]:
    """The drafted bundles by file; a file that is drafted twice fails the test."""
    rows = tomllib.loads(text)["bundle"]
    assert len({row["file"] for row in rows}) == len(rows)
    return {row["file"]: row for row in rows}


def lists(folder: Path, **texts: str) -> list[Path]:
    """Checksum lists, written; returns their paths in order."""
    for name, text in texts.items():
        (folder / name).write_text(text)
    return [folder / name for name in texts]


def test_each_digest_names_its_own_list(keeper: Keeper, tmp_path: Path) -> None:
    """Where a digest comes from decides what it verifies; another list's name would be a false source."""
    given = lists(tmp_path, A=f"{ONE}  {BLADE}\n", MD5SUMS=f"{MD5}  {RACK}\n", B=f"{TWO}  {INFRA}\n")
    ran = keeper("manifest", "draft", *given)
    rows = bundles(ran.out)
    assert rows[BLADE]["digest_from"] == "publisher: A"
    assert rows[INFRA]["digest_from"] == "publisher: B"
    assert "MD5SUMS" not in ran.out
    assert "other-algorithm" in ran.err


def test_lists_that_contradict_each_other_give_no_digest(keeper: Keeper, tmp_path: Path) -> None:
    given = lists(tmp_path, A=f"{ONE}  {BLADE}\n{TWO}  {INFRA}\n", B=f"{THREE}  {BLADE}\n{TWO}  {INFRA}\n")
    ran = keeper("manifest", "draft", *given, "-o", "m.toml", "--json")
    assert (ran.status, ran.codes) == (1, ["listed-twice"])
    message = ran.json["findings"][0]["message"]
    assert ONE in message
    assert THREE in message
    rows = bundles((tmp_path / "m.toml").read_text())
    assert rows[BLADE]["sha256"] == ""
    assert "digest_from" not in rows[BLADE]
    assert rows[INFRA]["sha256"] == TWO


def test_files_of_one_name_and_other_bytes_give_no_digest(keeper: Keeper, tmp_path: Path) -> None:
    for folder, data in (("a", b"one"), ("b", b"two")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / BLADE).write_bytes(data)
        (tmp_path / folder / RACK).write_bytes(b"same")
    ran = keeper("manifest", "draft", "a", "b", "-o", "m.toml", "--json", "--quiet")
    assert (ran.status, ran.codes) == (1, ["given-twice"])
    rows = bundles((tmp_path / "m.toml").read_text())
    assert rows[BLADE]["sha256"] == rows[BLADE]["size"] == ""
    assert rows[RACK]["digest_from"] == "own copy"


def test_a_list_and_its_files_keep_the_lists_name_and_the_files_size(keeper: Keeper, tmp_path: Path) -> None:
    (tmp_path / BLADE).write_bytes(b"")
    (tmp_path / (BLADE + ".sig")).write_bytes(b"s")
    empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"  # FIPS 180-4, of no bytes
    given = lists(tmp_path, A=f"{TWO}  {INFRA}\n", B=f"{empty}  {BLADE}\n")
    ran = keeper("manifest", "draft", *given, BLADE, BLADE + ".sig", "--quiet")
    row = bundles(ran.out)[BLADE]
    assert (ran.status, row["digest_from"], row["size"]) == (0, "publisher: B", 0)


def test_into_a_manifest_each_digest_names_its_own_list(keeper: Keeper, tmp_path: Path) -> None:
    given = lists(tmp_path, A=f"{ONE}  {BLADE}\n", B=f"{TWO}  {INFRA}\n")
    assert keeper("manifest", "draft", given[0], "-o", "m.toml").status == 0
    ran = keeper("manifest", "draft", given[1], "--into", "m.toml")
    assert ran.status == 0
    rows = bundles((tmp_path / "m.toml").read_text())
    assert {file: row["digest_from"] for file, row in rows.items()} == {BLADE: "publisher: A", INFRA: "publisher: B"}


GOOD = f"{ONE}  {BLADE}\n"


@pytest.mark.parametrize(
    ("name", "data", "codes"),
    [
        ("list.txt", f"{GOOD}garbage\nmore garbage\n", ["list-line", "list-line"]),
        ("list.txt", f"garbage\nSHA256 ({BLADE}) = {ONE}\n", ["list-line"]),
        ("list.txt", f"{ONE}  {BLADE}\0{TWO}  {RACK}\0", ["list-line"]),
        ("SHA256SUMS", f"{ONE[1:]}  {BLADE}\n", ["list-digest"]),
        ("SHA256SUMS-6.1", f"{ONE}\n", ["list-name"]),
        ("marram-6.1-CHECKSUM", "all is well\n", ["list-line"]),
        (f"{BLADE}.sha256", f"{ONE[1:]}x  {BLADE}\n", ["list-digest"]),
        ("marram.sums", "nothing\n", ["list-line"]),
        ("sha512sums.txt", "nothing\n", ["list-line"]),
        ("SHA256SUMS", "\1\2\3", ["list-line"]),
        ("large.txt", f"# all\n\n{GOOD}" + "garbage\n" * 150_000, ["list-line"] * 1000),
    ],
)
def test_a_list_with_a_bad_line_is_refused_and_never_drafted(
    keeper: Keeper, tmp_path: Path, name: str, data: str, codes: list[str]
) -> None:
    """'A digest mistyped or copied from the wrong line', reported with every bad line at once."""
    (tmp_path / name).write_text(data)
    ran = keeper("manifest", "draft", name, "-o", "m.toml", "--json")
    assert (ran.status, ran.codes) == (2, codes)
    assert not (tmp_path / "m.toml").exists()


def test_every_bad_list_is_reported(keeper: Keeper, tmp_path: Path) -> None:
    given = lists(tmp_path, A=GOOD + "garbage\n", SHA256SUMS="# nothing\n", B=f"{GOOD}{TWO[1:]}  x\n")
    ran = keeper("manifest", "draft", *given, "--json")
    assert (ran.status, ran.codes) == (2, ["list-digest", "list-line", "list-line"])


def test_a_list_larger_than_a_look_is_read_whole(keeper: Keeper, tmp_path: Path) -> None:
    rows = [f"{ONE}  marram-blade-6.1.{number}.bin\n" for number in range(12_000)]
    (tmp_path / "list.txt").write_text("".join(rows))
    assert (tmp_path / "list.txt").stat().st_size > 1 << 20
    ran = keeper("manifest", "draft", "list.txt", "-o", "m.toml", "--json")
    assert (ran.status, ran.json["entries"]) == (0, len(rows))


@pytest.mark.parametrize(
    "data",
    [
        b"\x7fELF\1\2\0" + f"\n{GOOD}".encode() * 20,
        f"{GOOD}\0\0\0".encode() + bytes(range(256)),
        b"\0" * 100 + f"\n{GOOD}".encode(),
        b"\xff" * 4096,
        b":10010000214601360121470136007EFE09D2190140\n:00000001FF\n",  # a hexadecimal file of the trade
        b"readme\n" * 200_000 + GOOD.encode(),
        b"\n",
    ],
)
def test_firmware_is_never_read_as_a_list(keeper: Keeper, tmp_path: Path, data: bytes) -> None:
    (tmp_path / RACK).write_bytes(data)
    ran = keeper("manifest", "draft", RACK, "--quiet")
    assert ran.status == 0, ran.err
    assert bundles(ran.out)[RACK]["size"] == len(data)


@given(st.binary(max_size=300), st.binary(max_size=300))
def test_bytes_that_no_text_has_make_a_file(before: bytes, after: bytes) -> None:
    """'Binary firmware is never read as a list', whatever lines are in it."""
    data = before + b"\n" + GOOD.encode() + after + b"\x02"
    assert not is_list(RACK, data.removeprefix(b"\xff\xfe").removeprefix(b"\xfe\xff"), whole=True)


@given(st.binary(max_size=300))
def test_any_bytes_under_any_name_get_an_answer(data: bytes) -> None:
    for name in (RACK, "SHA256SUMS", "list.txt", ""):
        assert is_list(name, data, whole=True) in (True, False)


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        (f"{MD5}  {BLADE}\n{'a' * 40}  {RACK}\n", ["other-algorithm", "other-algorithm"]),
        (f"{MD5}  {BLADE}\n", ["other-algorithm"]),
    ],
)
def test_nothing_to_draft_says_why(keeper: Keeper, tmp_path: Path, text: str, codes: list[str]) -> None:
    (tmp_path / "SUMS").write_text(text)
    ran = keeper("manifest", "draft", "SUMS", "--json")
    assert (ran.status, ran.codes) == (2, codes)
    assert "other-algorithm" in keeper("manifest", "draft", "SUMS").err


def test_a_list_that_contradicts_itself_says_so(keeper: Keeper, tmp_path: Path) -> None:
    (tmp_path / "SUMS").write_text(f"{ONE}  {BLADE}\n{TWO}  {BLADE}\n")
    ran = keeper("manifest", "draft", "SUMS", "--json")
    assert (ran.status, ran.codes) == (1, ["listed-twice"])
    assert bundles(ran.json["text"])[BLADE]["sha256"] == ""


def test_json_is_the_only_thing_on_stdout(keeper: Keeper, tmp_path: Path) -> None:
    """One versioned JSON envelope for success, findings and error."""
    (tmp_path / "SUMS").write_text(GOOD)
    plain, ran = keeper("manifest", "draft", "SUMS"), keeper("manifest", "draft", "SUMS", "--json")
    assert ran.json["schema"] == "bundlekeeper.manifest-draft/1"
    assert ran.json["text"] == plain.out
    written = keeper("manifest", "draft", "SUMS", "--json", "-o", "m.toml")
    assert "text" not in written.json
    assert (tmp_path / "m.toml").read_text() == plain.out


def test_a_file_that_no_list_names_is_left_out_and_reported(keeper: Keeper, tmp_path: Path) -> None:
    (tmp_path / "SUMS").write_text(GOOD)
    (tmp_path / RACK).write_bytes(b"x")
    ran = keeper("manifest", "draft", "SUMS", RACK, "--json", "--quiet")
    assert (ran.status, ran.codes) == (1, ["not-in-list"])
    assert set(bundles(ran.json["text"])) == {BLADE}


def test_what_is_in_a_folder_besides_files_is_reported(keeper: Keeper, tmp_path: Path) -> None:
    folder = tmp_path / "in"
    (folder / "deeper").mkdir(parents=True)
    (folder / RACK).write_bytes(b"x")
    (folder / "SHA256SUMS").write_text(GOOD + "garbage\n")
    (folder / "SHA256SUMS.sig").write_bytes(b"\1")
    (folder / ".component").write_bytes(b"x")
    (folder / "newest").symlink_to(RACK)
    os.mkfifo(folder / "pipe")
    ran = keeper("manifest", "draft", "in", "--quiet")
    assert ran.status == 0
    assert set(bundles(ran.out)) == {RACK}
    for name in ("deeper", "SHA256SUMS", "SHA256SUMS.sig", ".component", "newest", "pipe"):
        assert f"in/{name}" in ran.err, name


@pytest.mark.parametrize("name", ["Bad Name", "", "a--b", "marram\n", "x" * 65, "über"])
def test_a_platform_that_lint_would_refuse_is_refused(keeper: Keeper, tmp_path: Path, name: str) -> None:
    (tmp_path / "SUMS").write_text(GOOD)
    ran = keeper("manifest", "draft", "SUMS", "--platform", name)
    assert (ran.status, ran.out) == (2, "")
    assert ("--platform is empty" if not name else "hint: small letters") in ran.err
