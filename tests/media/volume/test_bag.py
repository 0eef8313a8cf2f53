"""BagIt bags: against the PyPI library bagit both ways, and against cases retyped from RFC 8493 section by section."""

from __future__ import annotations

import hashlib
import os
import warnings
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import InputError, KeeperError, RefusedError
from bundlekeeper.findings import Finding
from bundlekeeper.media.volume import bag_text, verify
from bundlekeeper.media.volume.bag import read_bag, verify_bag

with warnings.catch_warnings():  # it asks pkg_resources for its version
    warnings.simplefilter("ignore")
    import bagit  # type: ignore[import-untyped]  # it has no types

ABC = hashlib.sha256(b"abc").hexdigest()  # FIPS 180-4's own example


def make(root: Path, payload: Mapping[str, bytes], algorithms: tuple[str, ...] = ("sha256",)) -> Path:
    """A valid bag by our own writer of texts."""
    for path, data in payload.items():
        file = root / "data" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
    (root / "data").mkdir(parents=True, exist_ok=True)
    tags = {}
    for name in algorithms:
        sums = {f"data/{path}": hashlib.new(name, data).hexdigest() for path, data in payload.items()}
        tags[f"manifest-{name}.txt"] = bag_text.manifest_text(sums)
    oxum = f"{sum(map(len, payload.values()))}.{len(payload)}"
    tags["bag-info.txt"] = bag_text.info_text([("Bagging-Date", "2026-11-25"), ("Payload-Oxum", oxum)])
    tags["bagit.txt"] = bag_text.declaration()
    for path, text in tags.items():
        (root / path).write_text(text, "utf-8")
    digests = {path: hashlib.sha256(text.encode()).hexdigest() for path, text in tags.items()}
    (root / "tagmanifest-sha256.txt").write_text(bag_text.manifest_text(digests))
    return root


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return make(tmp_path / "bag", {"a.bin": b"abc", "b/c d.bin": b"x" * 5000, "empty": b""}, ("sha256", "sha512"))


def codes(findings: tuple[Finding, ...]) -> list[tuple[str, str]]:
    return [(each.code, each.subject) for each in findings]


def test_a_bag_of_ours_is_complete_and_valid_for_us_and_for_bagit(bag: Path) -> None:
    found = read_bag(bag)
    assert (found.version, found.findings, found.value("payload-OXUM")) == ("1.0", (), "5003.3")
    verification = verify_bag(found)
    assert verification.findings == ()
    assert verification.digests["data/a.bin"].sha256 == ABC
    assert bagit.Bag(str(bag)).is_valid()


@pytest.mark.parametrize("checksums", [["sha256"], ["sha256", "sha512"], ["md5", "sha1", "sha256"]])
def test_a_bag_that_the_library_made_is_valid_for_us(tmp_path: Path, checksums: list[str]) -> None:
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "ä b.bin").write_bytes(b"abc")
    (tmp_path / "x").write_bytes(b"")
    bagit.make_bag(str(tmp_path), {"Contact-Name": "kim", "External-Description": "one\n two"}, checksums=checksums)
    found = read_bag(tmp_path)
    assert found.version == "0.97"
    assert found.findings == ()
    assert verify_bag(found).findings == ()
    assert set(found.payload["data/x"]) == set(checksums)


def test_both_report_the_same_for_a_flipped_byte(bag: Path) -> None:
    file = bag / "data/b/c d.bin"
    data = bytearray(file.read_bytes())
    data[4000] ^= 1
    file.write_bytes(data)
    assert not bagit.Bag(str(bag)).is_valid()
    found = read_bag(bag)
    assert found.findings == ()  # no payload was read yet
    assert codes(verify_bag(found).findings) == [("altered", "data/b/c d.bin")]


def test_a_flipped_byte_in_a_tag_file_is_found(bag: Path) -> None:
    (bag / "bag-info.txt").write_text((bag / "bag-info.txt").read_text().replace("2026-11-25", "2026-11-26"))
    assert codes(verify_bag(read_bag(bag)).findings) == [("altered", "bag-info.txt")]


def test_a_file_that_cannot_be_read_is_unreadable_and_not_altered(bag: Path) -> None:
    found = read_bag(bag)
    (bag / "data/a.bin").unlink()
    assert codes(verify_bag(found).findings) == [("unreadable", "data/a.bin")]


def _unlink(*paths: str) -> Callable[[Path], object]:
    def change(bag: Path) -> None:
        for path in paths:
            (bag / path).unlink()

    return change


def _folder_as_link(bag: Path) -> None:
    (bag / "data").rename(bag.parent / "d")
    (bag / "data").symlink_to(bag.parent / "d")


def _write(path: str, text: str, encoding: str = "utf-8") -> Callable[[Path], object]:
    return lambda bag: (bag / path).write_bytes(text.encode(encoding))


def _append(path: str, text: str) -> Callable[[Path], object]:
    return lambda bag: (bag / path).write_bytes((bag / path).read_bytes() + text.encode())


def _rename(old: str, new: str) -> Callable[[Path], object]:
    return lambda bag: (bag / old).rename(bag / new)


INCOMPLETE = {
    "§3: every file that a payload manifest lists is there": (_unlink("data/a.bin"), ("missing", "data/a.bin")),
    "§3: every file that a tag manifest lists is there": (_unlink("bag-info.txt"), ("missing", "bag-info.txt")),
    "§3: every payload file is listed": (_write("data/new", "x"), ("extra", "data/new")),
    "§2.2.2: Payload-Oxum as a pre-check": (_write("data/a.bin", "abcd"), ("bad-volume", "bag-info.txt")),
    "§2.2.2: Payload-Oxum is octets.streams": (
        _write("bag-info.txt", "Payload-Oxum: some\n"),
        ("bad-volume", "bag-info.txt"),
    ),
}


@pytest.mark.parametrize("rule", INCOMPLETE)
def test_an_incomplete_bag_is_reported_without_reading_payload(bag: Path, rule: str) -> None:
    change, due = INCOMPLETE[rule]
    change(bag)
    assert due in codes(read_bag(bag).findings)
    with pytest.raises((bagit.BagError, ValueError)):  # it trips over an odd Payload-Oxum
        bagit.Bag(str(bag)).validate()


DECLARED = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
REFUSED: dict[str, tuple[Callable[[Path], object], str]] = {
    "§2.1.1 no bagit.txt": (_unlink("bagit.txt"), "not finished"),
    "§2.1.1 a third line": (_write("bagit.txt", DECLARED + "x: y\n"), "not the two lines"),
    "§2.1.1 lines in another order": (
        _write("bagit.txt", "Tag-File-Character-Encoding: UTF-8\nBagIt-Version: 1.0\n"),
        "not the two lines",
    ),
    "§2.1.1 MUST NOT contain a BOM": (_write("bagit.txt", "\ufeff" + DECLARED), "byte-order mark"),
    "§2.1.1 another version": (_write("bagit.txt", DECLARED.replace("1.0", "2.0")), "version 2.0"),
    "§2.1.1 another encoding": (_write("bagit.txt", DECLARED.replace("UTF-8", "UTF-16")), "UTF-16"),
    "§2.1.1 far too large": (_write("bagit.txt", DECLARED + " " * 2000), "larger than"),
    "§2.1.3 no manifest": (
        _unlink("manifest-sha256.txt", "manifest-sha512.txt"),
        "no manifest",
    ),
    "§2.1.3 each manifest lists each file": (
        lambda bag: (bag / "manifest-sha512.txt").write_text(
            "\n".join((bag / "manifest-sha512.txt").read_text().split("\n")[1:])
        ),
        "does not list data/a.bin",
    ),
    "§2.1.3 exactly once": (_append("manifest-sha256.txt", f"{ABC}  data/a.bin\n"), "twice"),
    "§2.1.3 no checksum": (_append("manifest-sha256.txt", f"{ABC[:-1]}  data/z\n"), "no checksum and path"),
    "§2.1.3 payload only": (_append("manifest-sha256.txt", f"{ABC}  bag-info.txt\n"), "no payload"),
    "§2.2.1 no tag manifest in one": (
        _append("tagmanifest-sha256.txt", f"{ABC}  tagmanifest-sha256.txt\n"),
        "tag manifest",
    ),
    "§2.2.1 every payload manifest": (
        lambda bag: (bag / "tagmanifest-sha256.txt").write_text(f"{ABC}  bag-info.txt\n"),
        "no tag manifest lists it",
    ),
    "§2.2.2 Payload-Oxum once": (_append("bag-info.txt", "Payload-Oxum: 5003.3\n"), "more than once"),
    "§2.2.2 a line without a label": (_append("bag-info.txt", "nothing\n"), "no label and value"),
    "§2.2.3 fetch.txt": (_write("fetch.txt", "https://example.invalid/a 3 data/a.bin\n"), "files from elsewhere"),
    "§2.4 unknown algorithm": (_write("manifest-crc32.txt", "00000000  data/a.bin\n"), "not known"),
    "§5.2 upwards": (_append("manifest-sha256.txt", f"{ABC}  data/../../etc/passwd\n"), "folder"),
    "§5.2 absolute": (_append("manifest-sha256.txt", f"{ABC}  /etc/passwd\n"), "empty"),
    "§5.2 a home": (_append("manifest-sha256.txt", f"{ABC}  ~root/x\n"), "tilde"),
    "§5.2 a home, in a tag manifest": (_append("tagmanifest-sha256.txt", f"{ABC}  ~\n"), "tilde"),
    "§5.2 a drive": (_append("manifest-sha256.txt", f"{ABC}  C:/x\n"), "drive"),
    "§5.2 backslashes": (_append("manifest-sha256.txt", f"{ABC}  \\\\?\\C:\\x\n"), "separates"),
    "§2.1.3 %0A decoded from 1.0 on": (_append("manifest-sha256.txt", f"{ABC}  data/x%0Ay\n"), "control"),
    "§6 names that differ by case": (
        _append("manifest-sha256.txt", f"{ABC}  data/A.BIN\n"),
        "are the same name on some systems",
    ),
    "§6 names that differ by Unicode's form": (
        _append("manifest-sha256.txt", f"{ABC}  data/\u00e4\n{ABC}  data/a\u0308\n"),
        "are the same name on some systems",
    ),
    "not UTF-8": (_write("bag-info.txt", "Contact-Name: \u00e4\n", "latin-1"), "UTF-8"),
    "a link": (lambda bag: (bag / "data/link").symlink_to("/etc/passwd"), "symbolic link"),
    "a link instead of a folder": (
        _folder_as_link,
        "symbolic link",
    ),
    "a named pipe": (lambda bag: os.mkfifo(bag / "data/pipe"), "named pipe"),
    "no payload folder": (_rename("data", "Data"), "payload"),
}


@pytest.mark.parametrize("rule", REFUSED)
def test_a_bag_that_breaks_the_rules_is_refused_with_the_reason(bag: Path, rule: str) -> None:
    """RFC 8493: the sections named; §5 on hostile bags."""
    change, message = REFUSED[rule]
    change(bag)
    with pytest.raises(RefusedError) as caught:
        read_bag(bag)
    reported = [caught.value.message, *(f"{each.subject}: {each.message}" for each in caught.value.problems)]
    assert any(message in each for each in reported), reported
    assert caught.value.exit_code == 4


def test_a_tilde_inside_a_path_is_a_name_like_any_other(tmp_path: Path) -> None:
    """RFC 8493 §5.2 warns of paths that begin with a home folder, `~user`; PyPI's bagit is the oracle."""
    bag = make(tmp_path / "bag", {"~root/a~.bin": b"abc", "b/~": b"x", "c/d~1": b"y"})
    bagit.Bag(str(bag)).validate()
    found = read_bag(bag)
    assert found.findings == ()
    assert verify_bag(found).findings == ()
    assert set(found.payload) == {"data/~root/a~.bin", "data/b/~", "data/c/d~1"}
    assert [verify.safe(path) for path in ("data/~root/a", "data/~", "~root/a", "~")] == [True, True, False, False]


def test_every_problem_is_reported_at_once(bag: Path) -> None:
    _append("manifest-sha256.txt", f"{ABC}  /x\nrubbish\n")(bag)
    _write("fetch.txt", "")(bag)
    (bag / "data/link").symlink_to("a.bin")
    with pytest.raises(RefusedError) as caught:
        read_bag(bag)
    assert {each.subject for each in caught.value.problems} == {"manifest-sha256.txt", "fetch.txt", "data/link"}
    assert len(caught.value.problems) == 4


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_lines_may_end_as_on_any_system(bag: Path, ending: str) -> None:
    """ "one or more ... LF, CR, or CRLF" end a line of a tag file (RFC 8493 §2.1.1, §2.1.3, §2.2.2)"""
    for name in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "manifest-sha512.txt"):
        file = bag / name
        file.write_bytes(file.read_bytes().replace(b"\n", ending.encode()))
    (bag / "tagmanifest-sha256.txt").unlink()
    found = read_bag(bag)
    assert found.findings == ()
    assert verify_bag(found).findings == ()


def test_checksums_in_either_case_and_any_blanks(bag: Path) -> None:
    """ "hex in either case", "checksum 1*WSP filepath" (RFC 8493 §2.1.3, §2.4)"""
    file = bag / "manifest-sha256.txt"
    rows = [line.split("  ", 1) for line in file.read_text().splitlines()]
    file.write_text("".join(f"{checksum.upper()} \t {path}\n" for checksum, path in rows))
    (bag / "tagmanifest-sha256.txt").unlink()
    assert verify_bag(read_bag(bag)).findings == ()


def test_percent_is_decoded_from_version_1_0_on_only() -> None:
    """ "Decode %25 only from version 1.0 on", "and only those" (RFC 8493 §2.1.3)"""
    line = f"{ABC}  data/a%25b%2Fc\n"
    assert list(bag_text.read_manifest(line, "sha256", "1.0").checksums) == ["data/a%b%2Fc"]
    assert list(bag_text.read_manifest(line, "sha256", "0.97").checksums) == ["data/a%25b%2Fc"]


def test_continued_values_of_bag_info() -> None:
    """Values may go on in lines that begin with a blank (RFC 8493 §2.2.2)"""
    rows, problems = bag_text.read_info("External-Description: one\n   two\n\tthree\nBag-Count: 1 of 2\n")
    assert rows == (("External-Description", "one two three"), ("Bag-Count", "1 of 2"))
    assert problems == ()


@pytest.mark.parametrize("path", ["data/../x", "/x", "data/a%b", "data/a\nb", "data/a\\b", "data//x"])
def test_the_writer_refuses_what_libraries_disagree_about(path: str) -> None:
    with pytest.raises(InputError):
        bag_text.manifest_text({path: ABC})


def test_the_writer_refuses_two_names_that_are_one_somewhere() -> None:
    with pytest.raises(InputError, match="same name"):
        bag_text.manifest_text({"data/A.bin": ABC, "data/a.bin": ABC})


def test_the_writer_refuses_what_would_be_read_back_otherwise() -> None:
    for row in [("a:b", "c"), ("a", "b\nc: d"), ("", "b"), (" a", "b")]:
        with pytest.raises(InputError):
            bag_text.info_text([row])


SAFE = st.text(
    st.characters(exclude_categories=("C", "Zl", "Zp"), exclude_characters="%/\\:"), min_size=1, max_size=20
).filter(lambda name: not bag_text.unsafe(name))


@settings(max_examples=60)
@given(st.dictionaries(st.lists(SAFE, min_size=1, max_size=3).map(lambda p: "data/" + "/".join(p)), st.just(ABC)))
def test_what_is_written_is_read_back(checksums: dict[str, str]) -> None:
    """ "checksum 1*WSP filepath" (RFC 8493 §2.1.3), for every path that we write"""
    try:
        text = bag_text.manifest_text(checksums)
    except InputError:
        assert bag_text.collisions(checksums)
        return
    read = bag_text.read_manifest(text, "sha256", "1.0")
    assert read.problems == ()
    assert read.checksums == checksums


@settings(max_examples=80)
@given(
    name=st.sampled_from(["bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"]), data=st.data()
)
def test_no_mutation_of_a_text_brings_anything_but_our_own_error(
    tmp_path_factory: pytest.TempPathFactory, name: str, data: st.DataObject
) -> None:
    bag = make(tmp_path_factory.mktemp("mutated"), {"a.bin": b"abc", "b": b""})
    raw = bytearray((bag / name).read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw) - 1))
        raw[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=4))
        if not raw:
            break
    (bag / name).write_bytes(bytes(raw))
    try:
        verify_bag(read_bag(bag), workers=1)
    except KeeperError as error:
        assert error.exit_code in (2, 3, 4)
