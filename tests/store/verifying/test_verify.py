"""Every finding of `verify` on real files."""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Level, exit_status
from bundlekeeper.model.verify_result import VerifiedRow, VerifyResult
from tests.kits.checking import check, facts, fill, found, listing, listing_for

A, B, C = b"a" * 1000, b"b" * 1000, b"c" * 1500
FILES = {"a.bin": A, "b.bin": B, "c.bin": C}


def row(result: VerifyResult, name: str) -> VerifiedRow:
    """The one row of this name."""
    [found] = [r for r in result.rows if r.name == name]
    return found


def message(result: VerifyResult, code: str) -> str:
    """The one sentence of this code."""
    [found] = [f.message for f in result.findings if f.code == code]
    return found


def hint(result: VerifyResult, code: str) -> str:
    """The one hint of this code."""
    [found] = [f.hint for f in result.findings if f.code == code]
    return found


def test_all_well(tmp_path: Path) -> None:
    """Every byte was read, and every row says by what digest."""
    result = check(fill(tmp_path, FILES), listing_for(FILES))
    assert result.findings == []
    assert exit_status(result.findings) == 0
    assert {r.status for r in result.rows} == {"ok"}
    assert all(r.found == r.expected and r.verified_at is not None for r in result.rows)
    assert (result.verified, result.trusted, result.skipped, result.unverified) == (3, 0, 0, 0)
    assert (result.files_read, result.bytes_read) == (3, 3500)


@pytest.mark.fault(12)
def test_altered(tmp_path: Path) -> None:
    """A bit flip."""
    fill(tmp_path, FILES)
    flipped = bytearray(A)
    flipped[500] ^= 1
    (tmp_path / "a.bin").write_bytes(flipped)
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("altered", "a.bin")}
    assert row(result, "a.bin").status == "altered"
    assert row(result, "a.bin").found in message(result, "altered")
    assert row(result, "a.bin").verified_at is None
    assert (result.verified, exit_status(result.findings)) == (2, 1)


@pytest.mark.fault(13)
def test_truncated_and_extended_need_no_reading(tmp_path: Path) -> None:
    """ "size first, then digest"."""
    fill(tmp_path, {**FILES, "a.bin": A[:-1], "b.bin": B + b"!"})
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("truncated", "a.bin"), ("extended", "b.bin")}
    assert "999 bytes, 1 fewer than expected" in message(result, "truncated")
    assert "1,001 bytes, 1 more than expected" in message(result, "extended")
    assert result.bytes_read == len(C)


@pytest.mark.fault(13)
def test_empty_and_zero_filled(tmp_path: Path) -> None:
    """What an unfinished copy looks like is said."""
    fill(tmp_path, {"a.bin": b"", "b.bin": bytes(1000), "c.bin": C})
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("truncated", "a.bin"), ("altered", "b.bin")}
    assert message(result, "altered").startswith("all bytes are zero")


def test_a_zero_first_block_is_not_reported_as_zeros(tmp_path: Path) -> None:
    """It is reported of the whole file or not at all."""
    data = bytes(8000) + b"x"
    fill(tmp_path, {"a.bin": data})
    result = check(tmp_path, listing_for({"a.bin": b"y" * len(data)}))
    assert "zero" not in message(result, "altered")


def test_an_empty_bundle_is_a_bundle(tmp_path: Path) -> None:
    """Size 0 is a size: it is verified by reading nothing to the end, and its absence is missing."""
    assert check(fill(tmp_path, {"e.bin": b""}), listing_for({"e.bin": b""})).verified == 1
    (tmp_path / "e.bin").unlink()
    assert found(check(tmp_path, listing_for({"e.bin": b""}))) == {("missing", "e.bin")}


@pytest.mark.attack("extraneous dependencies")
def test_missing_and_extra(tmp_path: Path) -> None:
    """A file that the manifest does not name is a warning, never deleted, and read only if it could be a bundle."""
    fill(tmp_path, {"a.bin": A, "b.bin": B, "sub/stray": b"other"})
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("missing", "c.bin"), ("extra", "sub/stray")}
    assert {f.code: f.level for f in result.findings} == {"missing": Level.ERROR, "extra": Level.WARNING}
    assert (tmp_path / "sub" / "stray").exists()
    assert result.files_read == 2


def test_misnamed_reports_how_to_fix_it(tmp_path: Path) -> None:
    """Misnamed = the right bytes under another name."""
    fill(tmp_path, {"a.bin": A, "b.bin": B, "old name": C})
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("misnamed", "old name")}
    assert row(result, "c.bin").status == "misnamed"
    assert row(result, "c.bin").place == "old name"
    command = hint(result, "misnamed").partition(": ")[2]
    assert os.system(command) == 0  # noqa: S605
    assert check(tmp_path, listing_for(FILES)).findings == []


def test_two_swapped_files(tmp_path: Path) -> None:
    """Each has the other's bytes: both are errors, because their names are wrong."""
    fill(tmp_path, {"a.bin": B, "b.bin": A, "c.bin": C})
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("misnamed", "a.bin"), ("misnamed", "b.bin")}
    assert {f.level for f in result.findings} == {Level.ERROR}
    assert "has the bytes of b.bin" in row(result, "a.bin").message
    assert "its own are under b.bin" in row(result, "a.bin").message


def test_two_swapped_files_of_different_size(tmp_path: Path) -> None:
    """The size of another bundle is a reason to read: whose bytes they are is worth knowing."""
    fill(tmp_path, {"a.bin": C, "b.bin": B, "c.bin": A})
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("misnamed", "a.bin"), ("misnamed", "c.bin")}


def test_one_bundle_under_two_expected_names(tmp_path: Path) -> None:
    """Last quarter's file under this quarter's name; the right bytes are nowhere."""
    fill(tmp_path, {"a.bin": B, "b.bin": B, "c.bin": C})
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("misnamed", "a.bin")}
    assert "its own are not here" in message(result, "misnamed")
    assert row(result, "b.bin").status == "ok"


def test_a_bundle_whose_bytes_are_under_anothers_name(tmp_path: Path) -> None:
    """a.bin is not there, its bytes are under b.bin: both rows say so, and nothing is called missing twice."""
    fill(tmp_path, {"b.bin": A, "c.bin": C})
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("misnamed", "b.bin")}
    assert {r.name: r.status.value for r in result.rows} == {"a.bin": "misnamed", "b.bin": "misnamed", "c.bin": "ok"}


@pytest.mark.fault(27)
def test_names_that_differ_only_by_case_or_form(tmp_path: Path) -> None:
    """Names as they come back from a stick."""
    fill(tmp_path, {"A.BIN": A, "b.bin": B, "C.bin": b"not c"})
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("misnamed", "A.BIN"), ("missing", "c.bin"), ("extra", "C.bin")}
    assert "differs only by case" in message(result, "misnamed")
    assert "differs from c.bin only by case" in message(result, "extra")


def test_a_second_copy(tmp_path: Path) -> None:
    """The same name in two folders: each is judged; the right file twice is a note, under another name a warning."""
    fill(tmp_path, {**FILES, "sub/a.bin": A, "sub/b.bin": b"x" * 1000, "sub/other": C})
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("extra", "sub/a.bin"), ("altered", "sub/b.bin"), ("extra", "sub/other")}
    levels = {f.subject: f.level for f in result.findings}
    assert (levels["sub/a.bin"], levels["sub/other"]) == (Level.NOTE, Level.WARNING)
    [note] = [f.message for f in result.findings if f.subject == "sub/other"]
    assert note == "a second copy of c.bin, under another name"
    assert row(result, "c.bin").status == "ok"


def test_the_manifest_itself_and_signatures_are_no_extras(tmp_path: Path) -> None:
    """The manifest is known by its bytes, under any name; a signature by the name that the manifest gives it."""
    fill(tmp_path, {**FILES, "list.toml": b"manifest = 1", "a.bin.sig": b"sig", "other.toml": b"manifest = 2"})
    wanted = listing(*listing_for(FILES).bundles, signatures=["a.bin.sig"])
    result = check(tmp_path, wanted, own=[b"manifest = 1"])
    assert found(result) == {("extra", "other.toml")}


@pytest.mark.parametrize("kind", ["symbolic link", "named pipe", "device"])
def test_something_else_under_a_bundles_name(tmp_path: Path, kind: str) -> None:
    """Not followed, not opened, not hanging; the bundle is missing, and why is said."""
    root = fill(tmp_path / "root", {"c.bin": C, "b.bin": B})
    if kind == "symbolic link":
        fill(tmp_path, {"outside": A})
        (root / "a.bin").symlink_to("../outside")
    elif kind == "named pipe":
        os.mkfifo(root / "a.bin")
    else:
        try:
            os.mknod(root / "a.bin", 0o600 | 0o020000, os.makedev(1, 3))
        except PermissionError:
            pytest.skip("making a device needs root")
    result = check(root, listing_for(FILES))
    assert found(result) == {("missing", "a.bin")}
    assert message(result, "missing") == f"a {kind} is under this name, not a file"
    assert result.files_read == 2


@pytest.mark.attack("extraneous dependencies")
def test_odd_entries_elsewhere_are_extras(tmp_path: Path) -> None:
    """Reported, not followed."""
    fill(tmp_path, FILES)
    (tmp_path / "link").symlink_to("/etc/hostname")
    os.mkfifo(tmp_path / "fifo")
    result = check(tmp_path, listing_for(FILES))
    assert found(result) == {("extra", "link"), ("extra", "fifo")}


def test_what_the_manifest_reports_about_its_own_bundles(tmp_path: Path) -> None:
    """self-digest (trimmed, in any case), a digest from nowhere, withdrawn, expired."""
    fill(tmp_path, FILES)
    wanted = listing(
        facts("a.bin", A, digest_from=" Own Copy "),
        facts("b.bin", B, digest_from=""),
        facts("c.bin", C, lifecycle="withdrawn", reason="it breaks fans"),
        expires=date(2026, 8, 14),
    )
    result = check(tmp_path, wanted, today=date(2026, 8, 15))
    assert found(result) == {
        ("self-digest", "a.bin"),
        ("not-checked", "b.bin"),
        ("withdrawn", "c.bin"),
        ("expired", "manifest marram 14"),
    }
    assert "it breaks fans" in message(result, "withdrawn")
    assert result.verified == 3
    assert ("expired", "manifest marram 14") not in found(check(tmp_path, wanted, today=date(2026, 8, 14)))


def test_a_withdrawn_bundle_need_not_be_there(tmp_path: Path) -> None:
    """Its absence is a note; nobody is asked to fetch it."""
    result = check(tmp_path, listing(facts("c.bin", C, lifecycle="withdrawn", reason="it breaks fans")))
    assert [(f.code, f.level) for f in result.findings] == [("missing", Level.NOTE)]


@pytest.mark.fault(30)
def test_names_that_are_not_utf_8(tmp_path: Path) -> None:
    """Reported by PEP 383 surrogates, which the printing escapes."""
    (Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9"))).write_bytes(A)
    assert ("misnamed", "caf\udce9") in found(check(tmp_path, listing_for({"a.bin": A})))


def test_a_folder_that_is_not_there_is_wrong_input(tmp_path: Path) -> None:
    """Exit status 2, not a row of missing bundles."""
    with pytest.raises(InputError):
        check(tmp_path / "nowhere", listing_for(FILES))


def test_an_unreadable_folder_makes_the_work_unfinished(tmp_path: Path) -> None:
    """ "`unreadable` files count here, after the rest was done": exit status 3, and the file inside is missing."""
    if os.geteuid() == 0:
        pytest.skip("root may read every folder; the walk's own test gives its rights up")
    fill(tmp_path, {"closed/a.bin": A, "b.bin": B, "c.bin": C})
    (tmp_path / "closed").chmod(0)
    result = check(tmp_path, listing_for(FILES))
    (tmp_path / "closed").chmod(0o700)
    assert found(result) == {("unreadable", "closed"), ("missing", "a.bin")}
    assert exit_status(result.findings) == 3
