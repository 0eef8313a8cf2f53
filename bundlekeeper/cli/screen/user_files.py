"""Writing small text files of the user's: whole or not at all.

Rules: an old file is overwritten only by one of its own kind, because it is easy to name a manifest by mistake;
temporary file in the same folder, fsync, then link (new file) or rename (replacing); the temporary file is gone on
every failure; a file that changed since it was read is not replaced.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
import sys
from pathlib import Path
from typing import NamedTuple

from bundlekeeper.errors import InputError, UnfinishedError


class FileKind(NamedTuple):
    """The name of a kind of document, and byte strings, one of which is at its beginning."""

    name: str
    signs: tuple[bytes, ...]


#: The documents that may be overwritten by one of their own kind.
MANIFEST = FileKind("manifest", (b"manifest = 1", b"manifest=1"))
SCHEMA = FileKind("JSON Schema", (b'"$schema"',))
COLUMN_MAP = FileKind("column map", (b"columns = 1",))
WORKBOOK = FileKind("workbook", (b"PK\x03\x04",))
TEMPLATE = FileKind("inventory's template", (b"# read_at",))
INVENTORY = FileKind("inventory", (b"inventory = 1", b'"inventory"'))
TEST_REPORT = FileKind("JUnit report", (b"<testsuite",))
_POLICIES = (
    b"content=\"default-src 'none'; style-src 'unsafe-inline'\"",
    b'content="default-src &#39;none&#39;; script-src',
)
PAGE = FileKind("page of ours", (*_POLICIES, b"Run-book: ", b"Site "))
CALENDAR = FileKind("calendar", (b"BEGIN:VCALENDAR",))
TICKET = FileKind("ticket of ours", (b"# Change: ",))
METRICS = FileKind("file of our metrics", (b"# TYPE bundlekeeper_",))
ROUTE = FileKind("route's file", (b'"bundlekeeper.route/',))
_BEGINNING = 64 * 1024  # bytes


def write_new(name: str, text: str | bytes, *, force: bool | None = None, kind: FileKind | None = None) -> str:
    """Write `text` to stdout for `-`, else to a new file (with `force`: also over an old one of its `kind`).

    Returns the file's name. `force` is None for a command that has no --force. Raises InputError when the file is there
    already, or is of another kind; UnfinishedError when it cannot be written.
    """
    data = text if isinstance(text, bytes) else text.encode("utf-8", "surrogateescape")
    if name == "-":
        # These documents are UTF-8 by their formats, whatever the locale is.
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        return ""
    path = Path(name)
    if path.is_dir():
        raise InputError("a folder, not a file", where=name)
    if force and kind is not None:
        _insist_on_kind(path, kind)
    try:
        _put(path, data, 0o666 & ~_umask(), replace=bool(force))
    except FileExistsError as error:
        hint = "name another file" if force is None else "name another file, or use --force"
        raise InputError("the file is there already", where=name, hint=hint) from error
    return name


def written_new(name: str, text: str, *, force: bool, kind: FileKind) -> dict[str, str]:
    """Write as `write_new` does; the file's name and the SHA-256 of what was written, as JSON has them."""
    import hashlib

    write_new(name, text, force=force, kind=kind)
    return {"file": name, "sha256": hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()}


def _insist_on_kind(path: Path, kind: FileKind) -> None:
    """Raise InputError for a file that is there and is no document of this kind; an empty one may be overwritten."""
    try:
        with path.open("rb") as file:
            beginning = file.read(_BEGINNING) if stat.S_ISREG(os.fstat(file.fileno()).st_mode) else b"?"
    except FileNotFoundError:
        return
    except OSError as error:
        raise UnfinishedError(f"cannot be read: {error.strerror}", where=str(path)) from error
    if beginning and not any(sign in beginning for sign in kind.signs):
        message = f"this is no {kind.name}, and is not overwritten, not even with --force"
        raise InputError(message, where=str(path), hint="name another file")


def write_over(name: str, text: str, expected: bytes) -> None:
    """Replace the file `name`, whose bytes were `expected`; nothing happens when the text is the same.

    A link is followed to its file, which keeps its mode. Raises InputError for stdin, and when the file changed
    meanwhile; UnfinishedError when it cannot be written.
    """
    if name == "-":
        raise InputError("a manifest from stdin cannot be changed in place", hint="name the file")
    data = text.encode("utf-8")
    if data == expected:
        return
    path = Path(os.path.realpath(name))
    try:
        if path.read_bytes() != expected:
            raise InputError("somebody else changed the file meanwhile", where=name, hint="run it again")
        mode = stat.S_IMODE(path.stat().st_mode)
    except OSError as error:
        raise UnfinishedError(f"cannot be read again: {error.strerror}", where=name) from error
    _put(path, data, mode, replace=True)


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _put(path: Path, data: bytes, mode: int, *, replace: bool) -> None:
    temp = path.with_name(f".{path.name[:200]}.{secrets.token_hex(6)}")
    try:
        fd = os.open(temp, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            with os.fdopen(fd, "wb") as file:
                file.write(data)
                file.flush()
                os.fchmod(fd, mode)
                os.fsync(fd)
            if replace:
                temp.replace(path)
            else:
                os.link(temp, path)
        finally:
            with contextlib.suppress(FileNotFoundError):
                temp.unlink()
        _sync_folder(path.parent)
    except FileExistsError:
        raise
    except OSError as error:
        raise UnfinishedError(f"cannot be written: {error.strerror}", where=str(path)) from error


def _sync_folder(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
