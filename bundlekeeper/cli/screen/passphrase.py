"""Asking for a key's passphrase.

Rules: it comes from the terminal or from a descriptor that the user names, never from the command line, and is printed
nowhere.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.formats import limits


def passphrase_from(fd: int | None) -> Callable[[str], bytes]:
    """Asks for a passphrase: on the terminal, or from the descriptor that the user named."""

    def from_descriptor(_prompt: str) -> bytes:
        assert fd is not None  # noqa: S101  (bound by the caller's branch)
        try:
            with os.fdopen(os.dup(fd), "rb") as file:
                return file.readline(limits.PASSPHRASE_BYTES + 2).rstrip(b"\r\n")
        except OSError as error:
            raise InputError(f"--passphrase-fd {fd} cannot be read: {error.strerror}") from error

    def from_terminal(prompt: str) -> bytes:
        import getpass

        try:  # getpass falls back to an echoing prompt where there is no terminal: ask first
            if not sys.stdin.isatty():
                os.close(os.open("/dev/tty", os.O_RDWR | os.O_NOCTTY))
            return getpass.getpass(f"{prompt}: ").encode("utf-8", "surrogateescape")
        except (EOFError, OSError) as error:
            raise _nobody() from error

    return from_terminal if fd is None else from_descriptor


def _nobody() -> RefusedError:
    return RefusedError("the key needs a passphrase, and there is no terminal", hint="give it with --passphrase-fd N")
