"""The message whole or in pieces: bounded, at its own offsets, and compared with the first read."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from bundlekeeper.verification.encodings.refusals import NotCheckedError
from bundlekeeper.verification.signatures.judge import SignatureEvidence, judge
from bundlekeeper.verification.signatures.message import chunks_of_fd, same_chunks, same_whole, whole_of_fd
from tests.kits.cms_files import theirs as cms_signed
from tests.kits.judged_files import Said, signed_in
from tests.kits.signing_world import WHEN, chain, digests, entry, private, sign_raw

CONTENT = bytes(range(256)) * 9000


@pytest.fixture
def fd(tmp_path: Path) -> Iterator[int]:
    file = tmp_path / "FILE.bin"
    file.write_bytes(CONTENT)
    opened = os.open(file, os.O_RDWR)
    os.lseek(opened, 7, os.SEEK_SET)
    yield opened
    os.close(opened)


def test_whole_and_pieces_are_the_file_and_leave_its_offset(fd: int) -> None:
    assert whole_of_fd(fd)(len(CONTENT)) == CONTENT
    assert b"".join(chunks_of_fd(fd)()) == CONTENT
    assert b"".join(chunks_of_fd(fd)()) == CONTENT
    assert os.lseek(fd, 0, os.SEEK_CUR) == 7


@pytest.mark.attack("endless data")
def test_a_file_beyond_the_bound_is_refused_before_it_is_read(fd: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "preadv", None)
    with pytest.raises(NotCheckedError, match=f"{len(CONTENT)} bytes .* {len(CONTENT) - 1} are allowed") as caught:
        whole_of_fd(fd)(len(CONTENT) - 1)
    assert "max_whole_bytes" in caught.value.hint


def test_a_file_larger_than_memory_is_not_checked(fd: int, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_size: int) -> bytearray:
        raise MemoryError

    monkeypatch.setattr("bundlekeeper.verification.signatures.message.bytearray", full, raising=False)
    with pytest.raises(NotCheckedError, match="no memory"):
        whole_of_fd(fd)(len(CONTENT))


def test_a_file_that_shrinks_while_it_is_read_is_not_checked(fd: int, monkeypatch: pytest.MonkeyPatch) -> None:
    preadv = os.preadv

    def shrinking(number: int, buffers: list[memoryview], at: int) -> int:
        os.ftruncate(number, 100)
        return preadv(number, buffers, at)

    monkeypatch.setattr(os, "preadv", shrinking)
    with pytest.raises(NotCheckedError, match="became shorter"):
        whole_of_fd(fd)(len(CONTENT))


@pytest.mark.attack("not on that list: downgrade of form, confusion of keys")
def test_other_bytes_than_those_of_the_first_read_are_not_checked(fd: int) -> None:
    """Fault 21: "source changes while hashed". The digest of the first read stands for it."""
    sha256 = hashlib.sha256(CONTENT).hexdigest()
    assert same_whole(whole_of_fd(fd), sha256)(len(CONTENT)) == CONTENT
    assert b"".join(same_chunks(chunks_of_fd(fd)(), sha256)) == CONTENT
    os.pwrite(fd, b"!", 1000)
    with pytest.raises(NotCheckedError, match="changed between"):
        same_whole(whole_of_fd(fd), sha256)(len(CONTENT))
    with pytest.raises(NotCheckedError, match="changed between"):
        list(same_chunks(chunks_of_fd(fd)(), sha256))


@pytest.mark.attack("mix-and-match")
@pytest.mark.parametrize("form", ["ed25519", "cms"])
def test_a_good_signature_over_bytes_that_were_not_verified_is_not_good(form: str, tmp_path: Path, fd: int) -> None:
    """The file is swapped, after another was hashed, for one that its publisher signed: the two must be the same."""
    if form == "cms":
        key, signature = signed_in("cms", tmp_path)
        from tests.kits.cms_files import MESSAGE

        assert cms_signed(chain("rsa"), tmp_path)
        message = MESSAGE
    else:
        key, message = entry("ed25519", "ed25519"), CONTENT
        signature = sign_raw("ed25519", private("ed25519"), message)
    for hashed, expected in ((message, []), (b"what was hashed", ["not-checked"])):
        found = SignatureEvidence(digests(hashed), lambda _limit: message, lambda: iter([message]))
        verdict = judge("FILE.bin", Said(form), signature, trust=[key], evidence=found, moments=[WHEN])
        assert [f.code for f in verdict.findings if f.level.value != "note"] == expected
        assert verdict.good is (not expected)
