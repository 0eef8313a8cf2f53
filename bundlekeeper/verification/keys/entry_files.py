"""A trust entry's form on disk: NAME.toml, and PEM files beside it that openssl reads.

Rules: the TOML is written last and makes the entry exist; it holds the SHA-256 of each PEM file, so a file that was
exchanged is refused; an entry that is read back goes through the same checks as on the day it was added; unknown keys
and newer formats are refused, nothing is guessed. Bytes in, bytes out: `store.signatures.trust_list` reads and writes.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, date, datetime
from typing import Any

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import meant
from bundlekeeper.formats.toml_read import load
from bundlekeeper.model.trust import TrustEntry
from bundlekeeper.verification.encodings.wire import pem_blocks
from bundlekeeper.verification.keys.entries import check_whole, problems_of_name, problems_of_words, raise_all
from bundlekeeper.verification.keys.public_key import read_public_key

FORMAT = 1

_DIGITS = 12

_KEYS = (
    *("trust", "form", "for", "key_type", "fingerprint", "namespace", "key_id", "from", "until"),
    *("added", "added_from", "removed", "reason", "files"),
)
_REPAIR = "remove the entry's files from .keeper/trust, then add the key again, comparing its fingerprint"
_NOT_TEXT: dict[str, type] = {
    **{"trust": int, "for": list, "files": dict},
    **{"from": date, "until": date, "added": datetime, "removed": datetime},
}


def file_names(name: str, crls: bytes = b"") -> dict[str, str]:
    """The names of an entry's PEM files by what they hold; a file that would be empty is not written.

    The revocation lists' file has the start of its SHA-256 in its name, so that newer lists can be put beside it before
    the TOML names them.
    """
    return {
        "key": f"{name}.pem",
        "roots": f"{name}.roots.pem",
        "intermediates": f"{name}.intermediates.pem",
        "crls": f"{name}.crls-{hashlib.sha256(crls).hexdigest()[:_DIGITS]}.pem",
    }


def to_files(entry: TrustEntry) -> dict[str, bytes]:
    """The entry's files, name to bytes, in the order in which they must be written: the TOML, last, makes it exist."""
    names = file_names(entry.name, b"".join(_pem("X509 CRL", der) for der in entry.crls))
    key = [("CERTIFICATE", entry.certificate)] if entry.certificate else [("PUBLIC KEY", entry.key)]
    parts: dict[str, list[tuple[str, bytes]]] = {
        "key": key if entry.key else [],
        "roots": [("CERTIFICATE", der) for der in entry.roots],
        "intermediates": [("CERTIFICATE", der) for der in entry.intermediates],
        "crls": [("X509 CRL", der) for der in entry.crls],
    }
    files = {names[what]: b"".join(_pem(*block) for block in blocks) for what, blocks in parts.items() if blocks}
    files[f"{entry.name}.toml"] = _toml(entry, files).encode("utf-8")
    return files


def from_files(name: str, toml: bytes, read: Callable[[str, int], bytes]) -> TrustEntry:
    """Read an entry back. `read` gives one of its PEM files by name, up to a limit in bytes, or raises KeeperError.

    Raises InputError or RefusedError when the entry is damaged or would be refused today; never returns a part.
    """
    where = f"{name}.toml"
    try:
        _, table = load(toml, name=where, max_bytes=limits.ENTRY_FILE_BYTES)
        names = {**file_names(name), "crls": _crls_name(name, table.get("files"))}
        _check_table(table, names.values())
        sums = table.get("files", {})
        found: dict[str, list[bytes]] = {}
        for what, file in names.items():
            data = _checked_file(file, sums, read)
            found[what] = [der for _, der in pem_blocks(data)] if what != "key" else [data]
        return _entry(name, table, found)
    except InputError as e:
        raise InputError(e.message, hint=e.hint or _REPAIR, where=e.where or where, problems=e.problems) from e
    except RefusedError as e:
        raise RefusedError(e.message, hint=e.hint, where=e.where or where) from e


def is_crls_name(name: str, file: str) -> bool:
    """True for the name of a file with revocation lists, present or past, of the entry `name`."""
    return re.fullmatch(rf"{re.escape(name)}\.crls(-[0-9a-f]{{{_DIGITS}}})?\.pem", file) is not None


def _crls_name(name: str, sums: object) -> str:
    """The one file of revocation lists that the entry names, empty where it names none."""
    found = [file for file in sums if is_crls_name(name, file)] if isinstance(sums, dict) else []
    return found[0] if len(found) == 1 else ""


def _pem(label: str, der: bytes) -> bytes:
    text = base64.b64encode(der)
    lines = [text[at : at + 64] for at in range(0, len(text), 64)]  # RFC 7468 §2
    begin, end = f"-----BEGIN {label}-----".encode(), f"-----END {label}-----".encode()
    return b"\n".join([begin, *lines, end, b""])


def _toml(entry: TrustEntry, files: Mapping[str, bytes]) -> str:
    rows: list[tuple[str, str]] = [
        ("trust", str(FORMAT)),
        ("form", _quoted(entry.form)),
        ("for", "[" + ", ".join(_quoted(purpose) for purpose in entry.purposes) + "]"),
        ("key_type", _quoted(entry.key_type)),
        ("fingerprint", _quoted(entry.fingerprint)),
    ]
    texts = (("namespace", entry.namespace), ("key_id", entry.key_id.hex()), ("added_from", entry.added_from))
    rows += [(key, _quoted(text)) for key, text in texts if text]
    dates = (("from", entry.valid_from), ("until", entry.valid_until))
    rows += [(key, day.isoformat()) for key, day in dates if day is not None]
    times = (("added", entry.added_at), ("removed", entry.removed_at))
    rows += [(key, time.astimezone(UTC).isoformat()) for key, time in times if time is not None]
    if entry.removed:
        rows.append(("reason", _quoted(entry.removed_reason)))
    lines = [f"{key} = {value}" for key, value in rows]
    lines += ["", "[files]"] if files else []
    lines += [f"{_quoted(name)} = {_quoted(hashlib.sha256(data).hexdigest())}" for name, data in files.items()]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A TOML basic string (TOML 1.0.0): quotes, backslashes and everything below U+0020 and U+007F escaped."""
    text = text.encode("utf-8", "backslashreplace").decode("utf-8")  # a path's bytes that were no text (PEP 383)
    special = {'"': '\\"', "\\": "\\\\"}
    return '"' + "".join(special.get(c, c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}") for c in text) + '"'


def _check_table(table: Mapping[str, Any], files: Iterable[str]) -> None:
    """Raises InputError for a newer format, unknown keys, or values of another type than their key has."""
    if table.get("trust") != FORMAT:
        raise InputError(f"the entry's format is {table.get('trust')!r}; this version reads {FORMAT}")
    for key, value in table.items():
        if key not in _KEYS:
            raise InputError(f"unknown key {key!r}", hint=meant(key, _KEYS))
        expected = _NOT_TEXT.get(key, str)
        if type(value) is not expected:
            raise InputError(f"{key} is no {expected.__name__}")
    for key in ("form", "for", "key_type", "fingerprint"):
        if key not in table:
            raise InputError(f"{key} is missing")
    if not all(isinstance(purpose, str) for purpose in table["for"]):
        raise InputError("for has something else than texts")
    known = set(files)
    for name, digest in table.get("files", {}).items():
        if name not in known or not isinstance(digest, str):
            raise InputError(f"the entry names a file that is none of its own: {name!r}")


def _checked_file(file: str, sums: Mapping[str, str], read: Callable[[str, int], bytes]) -> bytes:
    if file not in sums:
        return b""
    data = read(file, limits.ENTRY_PEM_BYTES)
    if hashlib.sha256(data).hexdigest() != sums[file]:
        raise RefusedError(f"{file} is not the file that the entry was made with")
    return data


def _entry(name: str, table: Mapping[str, Any], found: Mapping[str, list[bytes]]) -> TrustEntry:
    data = found["key"][0]
    certificate = b""
    key = b""
    if data:
        read = read_public_key(data)
        key, certificate = read.der, read.certificate
    times = [table.get(key) for key in ("added", "removed")]
    if any(time is not None and time.tzinfo is None for time in times):
        raise InputError("a time of the entry has no zone")
    entry = TrustEntry(
        name,
        table["form"],
        tuple(table["for"]),
        table["key_type"],
        table["fingerprint"],
        key=key,
        certificate=certificate,
        key_id=_key_id(table.get("key_id", "")),
        namespace=table.get("namespace", ""),
        valid_from=table.get("from"),
        valid_until=table.get("until"),
        roots=tuple(found["roots"]),
        intermediates=tuple(found["intermediates"]),
        crls=tuple(found["crls"]),
        added_at=times[0],
        added_from=table.get("added_from", ""),
        removed_at=times[1],
        removed_reason=table.get("reason", ""),
    )
    raise_all(name, problems_of_words(entry, entry.purposes) + problems_of_name(name, ()))
    check_whole(entry)
    return entry


def _key_id(text: str) -> bytes:
    try:
        return bytes.fromhex(text)
    except ValueError as e:
        raise InputError("key_id is not hexadecimal") from e
