"""Lines of checksum lists as coreutils write them."""

from __future__ import annotations


def format_line(name: str, digest: str, *, tagged: bool = False, binary: bool = False) -> bytes:
    """One SHA-256 line, with its line break, that `sha256sum -c` reads; `tagged` is the BSD form."""
    raw = name.encode("utf-8", "surrogateescape")
    shown = raw.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
    lead = b"\\" if shown != raw else b""
    if tagged:
        return lead + b"SHA256 (" + shown + b") = " + digest.encode() + b"\n"
    return lead + digest.encode() + (b" *" if binary else b"  ") + shown + b"\n"
