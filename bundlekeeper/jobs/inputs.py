"""Input files that the user named: read with a limit in bytes before anything parses them."""

from __future__ import annotations

import os
import stat
import sys

from bundlekeeper.errors import InputError, UnfinishedError


def read_bounded(path: str, limit: int, what: str) -> bytes:
    """Read an input file, or stdin for `-`, of at most `limit` bytes.

    Raises InputError when it is not there, no regular file or too large, UnfinishedError when reading fails.
    """
    if path == "-":
        try:
            data = sys.stdin.buffer.read(limit + 1)
        except OSError as error:
            raise InputError(f"{what} cannot be read: {reason(error)}", where="standard input") from error
        if len(data) > limit:
            raise _too_large(what, limit, "standard input")
        return data
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError as error:
        raise InputError(f"{what} is not there", where=path, hint="check the path") from error
    except (OSError, ValueError) as error:
        raise InputError(f"{what} cannot be opened: {reason(error)}", where=path) from error
    mode = os.fstat(fd).st_mode
    # A pipe is allowed (process substitution gives one); a device or a folder is never an input file.
    if stat.S_ISDIR(mode):
        os.close(fd)
        raise InputError(f"{what} is a folder", where=path, hint="name a file in it")
    if not (stat.S_ISREG(mode) or stat.S_ISFIFO(mode)):
        os.close(fd)
        raise InputError(f"{what} is not a regular file", where=path)
    with os.fdopen(fd, "rb") as file:
        os.set_blocking(fd, True)
        try:
            data = file.read(limit + 1)
        except OSError as error:
            raise UnfinishedError(f"{what} cannot be read: {reason(error)}", where=path) from error
    if not data and stat.S_ISFIFO(mode):
        # Nobody had it open for writing, or the command behind it failed: an empty file was not intended.
        raise InputError(f"{what} is a pipe from which nothing came", where=path, hint="start its writer first")
    if len(data) > limit:
        raise _too_large(what, limit, path)
    return data


def _too_large(what: str, limit: int, where: str) -> InputError:
    """The refusal with its code among the problems, as the parser would report it."""
    from bundlekeeper.findings import Finding, Level

    message, hint = f"{what} is larger than {limit} bytes", "is this the right file?"
    problem = Finding("too-large", Level.ERROR, where, message, hint)
    return InputError(message, hint=hint, where=where, problems=[problem])


def reason(error: Exception) -> str:
    """Why the system refused something, in its words."""
    return error.strerror or str(error) if isinstance(error, OSError) else str(error)


def text_of(name: str, data: bytes) -> str:
    """The text of a manifest's bytes. Raises InputError when they are not UTF-8."""
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"not UTF-8 at byte {error.start}", where=name, hint="save it as UTF-8") from error
