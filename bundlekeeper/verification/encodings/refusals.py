"""Why a signature is not good, as exceptions inside `verification`; `signatures.judge` turns them into findings.

Rules: every class carries the finding code that it becomes; returning without an exception is the only way to be
good, so a forgotten branch is never good; no foreign exception leaves `verification`.
"""

from __future__ import annotations

from bundlekeeper.errors import RefusedError


class SignatureError(RefusedError):
    """The signature does not verify, is malformed, or is not of the trust entry's form."""

    code = "bad-signature"


class UnknownKeyError(SignatureError):
    """Made by a key (or a certificate under a root) that the trust entry does not have."""

    code = "unknown-key"


class ExpiredKeyError(SignatureError):
    """The key or a certificate is outside its dates at the time that is used."""

    code = "expired-key"


class RemovedKeyError(SignatureError):
    """Its key, or that of an authority above it, was removed, under whatever name."""

    code = "removed-key"


class RevokedKeyError(SignatureError):
    """A certificate of the chain was revoked."""

    code = "revoked-key"


class NotCheckedError(SignatureError):
    """Unknown: a program, a digest, a revocation list or memory is missing. Never good, never bad."""

    code = "not-checked"
