"""Where an export goes: stdout or a file, with a signature beside it where a key is given.

Rules: everything that can be refused is refused before anything is asked; the file is in place whole or not at all,
and its signature after it; who made an export is shown by the signature alone, not by what is written in it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.user_files import FileKind, write_new
from bundlekeeper.errors import InputError

_SIGNATURE = FileKind("signature", (b"-----BEGIN SSH SIGNATURE-----",))
_SUFFIX = ".sig"


@dataclass(frozen=True, slots=True)
class ExportTarget:
    """The file's name (`-` is stdout); what signs its bytes; the kind of an old file that may be replaced, if any;
    whether a table becomes a workbook there."""

    name: str
    sign: Callable[[bytes], bytes] | None = None
    replaces: FileKind | None = None
    workbook: bool = False

    def write(self, data: str | bytes) -> None:
        """Write the export, and its signature. Raises InputError, UnfinishedError as `write_new`."""
        raw = data if isinstance(data, bytes) else data.encode("utf-8", "surrogateescape")
        signature = self.sign(raw) if self.sign is not None else b""
        self._put(self.name, raw, self.replaces)
        if signature:
            self._put(self.name + _SUFFIX, signature, _SIGNATURE if self.replaces is not None else None)

    def _put(self, name: str, data: bytes, kind: FileKind | None) -> None:
        written = write_new(name, data, force=None if kind is None else True, kind=kind)
        if written:
            output.aside(f"written: {written}")


def target(
    out: str, key: Path | None, passphrase_fd: int | None, *, replaces: FileKind | None = None, workbook: bool = False
) -> ExportTarget:
    """Where the export goes; the key is read, and its passphrase asked for, now.

    Raises InputError for a key without a file, a workbook without one, a signature that is there already, and for what
    is no key; RefusedError for a key that others may read; UnfinishedError.
    """
    if out == "-" and workbook:
        raise InputError("a workbook is no text", hint="name its file: --out FILE.xlsx")
    if key is None:
        return ExportTarget(out, None, replaces, workbook)
    if out == "-":
        message = "a signed export is two files, but standard output is one"
        raise InputError(message, hint=f"--out FILE writes FILE and FILE{_SUFFIX}")
    beside = Path(out + _SUFFIX)
    if replaces is None and beside.exists():
        raise InputError("the file is there already", where=str(beside), hint="name another file")
    from bundlekeeper.cli.screen.passphrase import passphrase_from
    from bundlekeeper.jobs.sign import signer

    return ExportTarget(out, signer(key, "exports", passphrase_from(passphrase_fd)), replaces, workbook)
