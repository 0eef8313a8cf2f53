"""What a store holds, as planning asks for it: which digests, verified when, and what their signatures are worth.

Rules: the caller gives it, nothing here knows a store; None is not known, and neither verified nor unverified; a file
is the bundle's by its SHA-256 alone, never by its name, family or version; what the store accepts is given too.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime
from enum import StrEnum

from bundlekeeper.findings import Finding
from bundlekeeper.frozen import dataclass


class SignatureState(StrEnum):
    """What a check of the bundle's signature found."""

    GOOD = "good"
    BAD = "bad"
    ABSENT = "absent"
    UNKNOWN = "unknown"  # there may be one, it was not looked at


@dataclass(frozen=True, slots=True)
class StoredFile:
    """One bundle file in the store.

    `verified` is True when all its bytes were read and their digest was `sha256`, at the aware time `verified_at`, and
    nothing has touched the file since; False when that is known not to be so; None when it is not known. `signature` is
    ABSENT only where it is known that there is none; UNKNOWN is reported as not checked, whatever the store accepts.
    `against` is what a check found against the signature (a key that was removed, say), reported instead of
    `signature`.
    """

    sha256: str
    family: str
    version: str
    variant: str = ""
    verified: bool | None = None
    verified_at: datetime | None = None
    signature: SignatureState = SignatureState.UNKNOWN
    against: tuple[Finding, ...] = ()

    @property
    def worth(self) -> tuple[bool, bool, float]:
        """Sorts the better of two copies last: verified, a good signature, verified later."""
        at = self.verified_at.timestamp() if self.verified_at else 0.0
        return (self.verified is True, self.signature is SignatureState.GOOD, at)


class Holdings:
    """Everything that is in a store, and what it accepts.

    `signed_families` are those whose bundles need a good signature; `max_verification_age_s` is in seconds, None for no
    limit.
    """

    def __init__(
        self,
        files: Iterable[StoredFile] = (),
        *,
        signed_families: Collection[str] = (),
        max_verification_age_s: int | None = None,
    ) -> None:
        self.signed_families = frozenset(signed_families)
        self.max_verification_age_s = max_verification_age_s
        self._by_digest: dict[str, StoredFile] = {}
        self._by_version: dict[tuple[str, str], list[StoredFile]] = {}
        for file in sorted(files, key=lambda f: f.worth):
            self._by_digest[file.sha256.lower()] = file
            self._by_version.setdefault((file.family, file.version), []).append(file)

    def stored(self, sha256: str) -> StoredFile | None:
        """The best copy of exactly those bytes; None where there is none."""
        return self._by_digest.get(sha256.lower())

    def called(self, family: str, version: str) -> tuple[StoredFile, ...]:
        """Every file in the store as that family's bundle of that version, whatever its bytes."""
        return tuple(self._by_version.get((family, version), ()))
