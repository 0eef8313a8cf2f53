"""Digests and sizes of bundles.

Rules: a digest of another algorithm is recognised before its length or alphabet is reported; each digest gets one
problem about its form; upper or lower case does not count.
Lengths: FIPS 180-4 for SHA-1 and SHA-2, RFC 1321 for MD5; base64: RFC 4648.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from bundlekeeper.formats.text_file import shown
from bundlekeeper.model.lint.common.problem import Problem
from bundlekeeper.model.lint.common.raw_rows import Loose, LooseBundle
from bundlekeeper.model.manifest.digest_origin import is_own_copy

_DIGITS = 64  # FIPS 180-4: 256 bits
_BY_LENGTH = {32: "MD5", 40: "SHA-1", 56: "SHA-224", 96: "SHA-384", 128: "SHA-512"}
_HEX = re.compile(r"[0-9a-fA-F]*")
_PREFIX = re.compile(r"(md5|sha-?(?:1|224|256|384|512)|sha3-[0-9]+|blake2[bs]|b2)\s*[:=-]\s*", re.IGNORECASE)
_BASE64 = re.compile(r"[A-Za-z0-9+/_-]{20,}={1,2}")
_BASE64_LENGTH = 44  # 32 bytes
_EMPTY = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"  # FIPS 180-4 over no bytes
_HINT = "copy it again from the publisher's list"


def check_digests(loose: Loose) -> Iterator[Problem]:
    """Every problem of the bundles' digests and sizes."""
    first: dict[str, LooseBundle] = {}
    for bundle in loose.bundles:
        digest = bundle.table.get("sha256")
        if isinstance(digest, str):
            path = (*bundle.path, "sha256")
            form = _form(digest, path)
            if form is not None:
                yield form
            elif digest.lower() in first:
                same = first[digest.lower()]
                message = f"{bundle.called} has the digest of {same.called}"
                hint = "this is right for the same bytes under two names; else a line was copied and not changed"
                yield Problem("digest-shared", path, message, hint, other=(*same.path, "sha256"))
            else:
                first[digest.lower()] = bundle
        yield from _emptiness(bundle)
        yield from _origin(bundle)


def _form(digest: str, path: tuple[str | int, ...]) -> Problem | None:
    """What is wrong with the text of a digest, if anything."""
    prefix = _PREFIX.match(digest)
    if prefix:
        bare = digest[prefix.end() :]
        if prefix[1].lower().replace("-", "") == "sha256" and len(bare) == _DIGITS and _HEX.fullmatch(bare):
            hint = f"delete {digest[: prefix.end()].strip()}; the digits alone are the digest"
        else:
            hint = "get the SHA-256 from the publisher's list: 64 digits without a prefix"
        return Problem("digest-algorithm", path, f"the digest has the prefix {shown(prefix[0])}", hint, at=0)
    if _BASE64.fullmatch(digest):
        message = "the digest looks like base64, not hexadecimal"
        if len(digest) == _BASE64_LENGTH:
            hint = "write it in hexadecimal, as `base64 -d | xxd -p -c 32` gives it"
        else:
            hint = "it is not as long as a SHA-256 either; get that from the publisher's list, in 64 digits"
        return Problem("digest-algorithm", path, message, hint, at=0)
    good = _HEX.match(digest)
    at = good.end() if good else 0
    if at < len(digest):
        count = f" (and it has {len(digest)} characters, not {_DIGITS})" if len(digest) != _DIGITS else ""
        message = f"character {at + 1} of the digest is {shown(digest[at])}, not a hexadecimal digit{count}"
        hint = {"o": "is it a zero?", "l": "is it a one?", "i": "is it a one?"}.get(digest[at].lower(), _HINT)
        return Problem("digest-alphabet", path, message, hint, at=at)
    if len(digest) in _BY_LENGTH:
        other = _BY_LENGTH[len(digest)]
        message = f"a digest of {len(digest)} digits is {other}, not SHA-256"
        return Problem("digest-algorithm", path, message, "get the SHA-256 from the publisher's list: 64 digits")
    if len(digest) != _DIGITS:
        message = f"the digest has {len(digest)} digits, not {_DIGITS}"
        return Problem("digest-length", path, message, _HINT)
    return None


def _emptiness(bundle: LooseBundle) -> Iterator[Problem]:
    size, digest = bundle.table.get("size"), bundle.table.get("sha256")
    if type(size) is int and size == 0:
        yield Problem(
            "digest-empty", (*bundle.path, "size"), "the size is 0, so the file is empty", "give its size in bytes"
        )
    elif isinstance(digest, str) and digest.lower() == _EMPTY:
        message = "this is the SHA-256 of no bytes at all"
        hint = "it was computed from an empty file or a failed download; get it from the publisher's list"
        yield Problem("digest-empty", (*bundle.path, "sha256"), message, hint)


def _origin(bundle: LooseBundle) -> Iterator[Problem]:
    if "digest_from" not in bundle.table:
        message = f"nothing states where the digest of {bundle.called} comes from"
        hint = (
            'add digest_from = "publisher: download page, 2026-08-02", or "own copy" if it was computed from the file'
        )
        yield Problem("digest-unsourced", bundle.path, message, hint)
        return
    origin = bundle.table["digest_from"]
    if not isinstance(origin, str) or not origin:
        return
    path = (*bundle.path, "digest_from")
    if not origin.strip():
        yield Problem("digest-unsourced", path, "digest_from is blank", "write where the digest comes from")
    elif is_own_copy(origin):
        message = f"the digest of {bundle.called} was computed from the very file that it is meant to verify"
        hint = "run manifest confirm with the publisher's list; until then store add and verify report self-digest"
        yield Problem("own-copy", path, message, hint)
