"""What the tests of digests share: real files, real child processes, and the two routes that bytes can take."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import cryptography_vectors

from bundlekeeper.verification.hashing.door import Digest, copy_fd, digest_fd
from tests.kits.sure import PATIENCE_S

# NIST CAVP "SHA Test Vectors for Hashing Byte-Oriented Messages", as carried by PyPI cryptography-vectors.
VECTORS = Path(cryptography_vectors.__file__).parent / "hashes" / "SHA2"

Route = Callable[..., Digest]


def by_digest(data: bytes, **options: object) -> Digest:
    """The digest of a real file that holds these bytes, by `digest_fd`."""
    with tempfile.TemporaryFile() as file:
        file.write(data)
        file.seek(0)
        return digest_fd(file.fileno(), **options)  # type: ignore[arg-type]  # the options are each test's own


def by_copy(data: bytes, **options: object) -> Digest:
    """The same by `copy_fd`; the copy is compared byte by byte."""
    with tempfile.TemporaryFile() as source, tempfile.TemporaryFile() as target:
        source.write(data)
        source.seek(0)
        digest = copy_fd(source.fileno(), target.fileno(), **options)  # type: ignore[arg-type]  # as above
        target.seek(0)
        assert target.read() == data
        return digest


@contextmanager
def opened(path: Path, flags: int = os.O_RDONLY) -> Iterator[int]:
    """A descriptor, closed at the end."""
    fd = os.open(path, flags, 0o600)
    try:
        yield fd
    finally:
        os.close(fd)


@contextmanager
def nothing_left() -> Iterator[None]:
    """Inside, every thread and descriptor that begins must have ended."""
    gc.collect()  # what an earlier test left to the collector would end inside, or take a number that was free
    gc.freeze()  # nor is what is left then, all tests and modules, gone through again by the next one
    threads, descriptors = set(threading.enumerate()), set(os.listdir("/proc/self/fd"))
    yield
    assert set(threading.enumerate()) <= threads
    assert set(os.listdir("/proc/self/fd")) <= descriptors


def child(code: str, *arguments: str | Path, under: Sequence[str | Path] = ()) -> subprocess.Popen[str]:
    """Start a Python process that runs `code`, under another program where one is given."""
    return subprocess.Popen(
        [*map(str, under), sys.executable, "-c", code, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def ended(process: subprocess.Popen[str]) -> str:
    """Wait for a child and return what it said; it must have ended well."""
    try:
        out, err = process.communicate(timeout=PATIENCE_S)  # no limit on speed: a test that hangs shall fail
    finally:
        process.kill()  # without effect on one that has ended
    assert process.returncode == 0, (process.returncode, out, err)
    return out.strip()


def cavp(name: str) -> Iterator[dict[str, str]]:
    """The records of a CAVP `.rsp` file: `key = value` lines, a record ends with its MD."""
    record: dict[str, str] = {}
    for line in (VECTORS / name).read_text("ascii").splitlines():
        key, equals, value = (part.strip() for part in line.partition("="))
        if equals and not key.startswith(("#", "[")):
            record[key] = value
            if key == "MD":
                yield record
                record = {}
