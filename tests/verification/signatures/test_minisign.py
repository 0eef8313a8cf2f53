"""minisign's format: against the program of that name where it is installed, and every way to be wrong."""

from __future__ import annotations

import base64
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.verification.encodings.refusals import NotCheckedError, SignatureError, UnknownKeyError
from bundlekeeper.verification.keys import minisign_key
from bundlekeeper.verification.signatures import minisign
from tests.kits.minisign_files import COMMENT, MESSAGE, public_file, signed, verify
from tests.kits.signing_world import program, run
from tests.kits.sure import some


@pytest.mark.parametrize("legacy", [False, True])
def test_what_minisign_signs_is_good_here(legacy: bool, tmp_path: Path) -> None:
    """The program `minisign` itself (Debian's package of that name)."""
    minisign_program = program("minisign")
    (tmp_path / "FILE").write_bytes(MESSAGE)
    made = run(minisign_program, "-G", "-W", "-p", "key.pub", "-s", "key.sec", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    options = ["-l"] if legacy else []
    made = run(minisign_program, "-S", *options, "-s", "key.sec", "-t", COMMENT.decode(), "-m", "FILE", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    data = (tmp_path / "FILE.minisig").read_bytes()
    key = minisign_key.read_public_key((tmp_path / "key.pub").read_bytes())
    bare = minisign_key.read_public_key((tmp_path / "key.pub").read_bytes().split(b"\n")[1])
    assert bare == key
    parsed = minisign.parse(data)
    assert parsed.prehashed is not legacy
    assert parsed.trusted_comment == COMMENT
    verify(data, key=key)
    with pytest.raises(SignatureError, match="does not fit"):
        verify(data, MESSAGE[:-1], key=key)
    with pytest.raises(UnknownKeyError):
        verify(data)


@pytest.mark.parametrize("kind", [b"ED", b"Ed"])
def test_minisign_verifies_the_signatures_of_these_tests(kind: bytes, tmp_path: Path) -> None:
    """So the maker above is no private invention, and what is refused below is refused for the stated reason."""
    (tmp_path / "FILE").write_bytes(MESSAGE)
    (tmp_path / "FILE.minisig").write_bytes(signed(kind=kind))
    (tmp_path / "key.pub").write_bytes(public_file())
    line = next(line for line in str(minisign.__doc__).splitlines() if line.strip().startswith("minisign -V"))
    words = line.split()[1:5]
    assert run(program("minisign"), *words, cwd=tmp_path).returncode == 0
    verify(signed(kind=kind))
    (tmp_path / "FILE").write_bytes(MESSAGE + b"x")
    assert run(program("minisign"), *words, cwd=tmp_path).returncode != 0


def test_a_changed_comment_number_or_kind_is_never_good() -> None:
    data = signed()
    with pytest.raises(SignatureError, match="does not fit"):
        verify(data.replace(COMMENT, COMMENT.replace(b"6.1", b"6.0")))
    with pytest.raises(UnknownKeyError, match="not by the key"):
        verify(signed(key_id=b"skerry26"))
    with pytest.raises(SignatureError, match="does not fit"):
        verify(signed(which=1))
    lines = data.split(b"\n")
    swapped = base64.b64encode(b"Ed" + base64.b64decode(lines[1])[2:])
    with pytest.raises(SignatureError, match="does not fit"):
        verify(b"\n".join([lines[0], swapped, *lines[2:]]))


def test_flipping_any_byte_of_a_signature_file_is_never_good() -> None:
    """All but the untrusted comment, which says so itself and is not looked at."""
    data = signed()
    start = data.index(b"\n")
    for at in some(range(start, len(data))):
        for change in (0x01, 0x20, 0x80):
            changed = data[:at] + bytes([data[at] ^ change]) + data[at + 1 :]
            with pytest.raises(SignatureError):
                verify(changed)


def test_what_is_no_signature_says_so() -> None:
    data = signed()
    for changed in (
        b"",
        data + b"x",
        data + data,
        data[:-3],
        data.replace(b"trusted comment: holm", b"comment: holm"),
        data.replace(b"\n", b"\n\n", 1),
        signed(kind=b"EX"),
        b"untrusted comment: x\n" + b"A" * limits.MINISIGN_SIGNATURE_BYTES,
    ):
        with pytest.raises(SignatureError):
            minisign.parse(changed)
    verify(data.replace(b"\n", b"\r\n"))
    verify(data[:-1])


def test_what_is_no_key_says_so_and_a_weak_one_is_refused() -> None:
    for data in (b"", b"RWQ", public_file() * 2, public_file()[:-5], b"untrusted comment: x\n" + b"A" * 56):
        with pytest.raises(InputError):
            minisign_key.read_public_key(data, where="key.pub")
    with pytest.raises(RefusedError, match="small order"):
        minisign_key.read_public_key(public_file(raw=(1).to_bytes(32, "little")))
    with pytest.raises(RefusedError, match="canonical"):
        minisign_key.read_public_key(public_file(raw=b"\xff" * 32))


def test_without_the_digest_or_the_message_it_is_not_checked() -> None:
    key = minisign_key.read_public_key(public_file())
    for kind in (b"ED", b"Ed"):
        with pytest.raises(NotCheckedError):
            minisign.verify(minisign.parse(signed(kind=kind)), key=key, digests={"sha256": "00"})
