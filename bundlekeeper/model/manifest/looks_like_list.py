"""Distinguishes a checksum list from firmware by its name and its bytes, before it is used.

Rules: the name of a list, or one good checksum line in plain text, makes a list, so that a list with bad lines is
refused and never drafted as firmware; bytes that no text has make a file of firmware, whatever lines are among them,
unless the name is plainly that of a list. Names as the publishers' own tools give them (common practice).
"""

from __future__ import annotations

import re

from bundlekeeper.errors import InputError
from bundlekeeper.model.manifest.checksum_list import parse

HEAD_BYTES = 1 << 20  # of a larger file only so much is looked at

_TOOL = r"(?:sha-?[0-9]{1,3}(?:-[0-9]{3})?|md5|b2|blake2b?)"
_PLAIN_NAME = re.compile(
    rf"(?:.*[._-])?{_TOOL}-?sums?(?:[._-].*)?|.*\.(?:{_TOOL}|{_TOOL}sums?|sums?|checksums?)(?:\.txt)?", re.DOTALL
)
_LOOSE_NAME = re.compile(r"(?:.*[._-])?(?:checksums?|hashes|digests?)(?:[._-].*)?", re.DOTALL)
_SIGNATURE = re.compile(r"\.(?:sig|asc|gpg|minisig|p7s|sign)$")
_NO_TEXT = re.compile(rb"[\x01-\x08\x0b\x0e-\x1f\x7f]")
# A digest and a name, or ALGORITHM (name) = digest; lines end with a line break or, by sha256sum -z, with a zero byte.
_LINE = re.compile(
    rb"(?:\A|(?<=[\n\0]))[ \t]*\\?(?:[0-9A-Fa-f]{32,128}[ \t][^\n\0]+"
    rb"|[A-Za-z][A-Za-z0-9/_-]{0,31} ?\([^\n\0]*\)[ \t]*=[ \t]*[0-9A-Fa-f]{32,128}\r?(?=[\n\0]|\Z))"
)
# The same with a digest of no known length, without a name, or after it: no list that can be read, yet none but a list.
# Firmware as text (Intel HEX, S-records) has no blanks in its lines.
_ALMOST = re.compile(
    rb"\\?[0-9A-Fa-f]{32,130}[ \t]+[^\n\0]+|[^\n\0:=]+[:=][ \t]+[0-9A-Fa-f]{32,130}[ \t\r]*(?=[\n\0]|\Z)"
)
_FRAME = b"-----BEGIN PGP SIGNED MESSAGE-----"  # RFC 9580 §7
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def is_list(name: str, head: bytes, *, whole: bool) -> bool:
    """True when a file of this name that begins with `head` is meant as a checksum list, a good one or not.

    `whole` is True when `head` is all of it; of a larger file only its beginning counts.
    """
    if not head:
        return False
    low = name.casefold()
    signature = _SIGNATURE.search(low) is not None
    if not signature and _PLAIN_NAME.fullmatch(low):
        return True
    if head.startswith(_UTF16):
        head = head.decode("utf-16", "ignore").encode("utf-8", "ignore")
    if _NO_TEXT.search(head):
        return False
    if not signature and _LOOSE_NAME.fullmatch(low) and b"\0" not in head:
        return True
    return _begins_so(head) or (whole and b"\0" not in head and any(map(_is_good, _LINE.finditer(head))))


def is_signature_of_list(name: str) -> bool:
    """True for the name of a signature beside a list: `SHA256SUMS.sig`."""
    low = name.casefold()
    return _SIGNATURE.search(low) is not None and _PLAIN_NAME.fullmatch(_SIGNATURE.sub("", low)) is not None


def _begins_so(head: bytes) -> bool:
    """True when the first line that is neither blank nor a comment is a list's, or opens a clear-signed message."""
    text = re.sub(rb"\A(?:\xef\xbb\xbf)?(?:[ \t\r]*(?:#[^\n]*)?\n)*+", b"", head)
    match = _LINE.match(text)
    if text.startswith(_FRAME) or (match is not None and _is_good(match)):
        return True
    return _ALMOST.match(text.lstrip(b" \t")) is not None


def _is_good(line: re.Match[bytes]) -> bool:
    try:
        parse(line[0], name="")
    except InputError:
        return False
    return True
