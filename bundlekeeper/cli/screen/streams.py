"""The three standard streams, made usable before anything is opened or printed.

Rules: no file of ours ever gets the number of a standard stream that was closed, else what is printed would land in it;
a closed stdout is a reader that went away, a closed stderr is ignored, a closed stdin cannot be read; no character that
the locale lacks stops a command, it is printed as an escape; output that a full disk or a limit cuts short is an error.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys


def prepare() -> None:
    """Replace each closed stream, and let stdout and stderr escape what they cannot encode."""
    for number, replacement in enumerate((_nothing_to_read, _no_reader, _nowhere)):
        if not _is_open(number):
            _move(replacement(), number)
    if sys.stdin is None:
        sys.stdin = io.TextIOWrapper(open(0, "rb", closefd=False), encoding="utf-8")  # noqa: SIM115
    if sys.stdout is None:
        sys.stdout = _writer(1)
    if sys.stderr is None:
        sys.stderr = _writer(2)
    if isinstance(sys.stdout, io.TextIOWrapper) and isinstance(sys.stdout.buffer, io.RawIOBase):
        # PYTHONUNBUFFERED, common in containers: a partial write would lose the rest without an error.
        sys.stdout = _writer(1, sys.stdout.encoding, line_buffering=True)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def give_stdout_a_sink() -> None:
    """Discard what is left in stdout: Python flushes it once more at exit, and would fail with 120."""
    with contextlib.suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


def _is_open(number: int) -> bool:
    try:
        os.fstat(number)
    except OSError:
        return False
    return True


def _move(fd: int, number: int) -> None:
    if fd == number:
        os.set_inheritable(fd, True)
        return
    os.dup2(fd, number)
    os.close(fd)


def _nothing_to_read() -> int:
    return os.open(os.devnull, os.O_WRONLY)


def _no_reader() -> int:
    reading, writing = os.pipe()
    os.close(reading)
    return writing


def _nowhere() -> int:
    return os.open(os.devnull, os.O_WRONLY)


def _writer(number: int, encoding: str = "utf-8", *, line_buffering: bool = False) -> io.TextIOWrapper:
    return io.TextIOWrapper(open(number, "wb", closefd=False), encoding=encoding, line_buffering=line_buffering)
