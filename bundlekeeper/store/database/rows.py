"""The rows of the catalogue as types; nothing here touches a file or a database.

Rules: times are aware UTC; a place is a path inside the store (posix, relative) or, for any other folder, an absolute
path; digests are lower-case hexadecimal.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime

from bundlekeeper.store.disk.files import Fingerprint


@dataclass(frozen=True, slots=True)
class Stated:
    """What a manifest states of a bundle's signature: the name of its file, its form, the name of the trust entry."""

    file: str
    form: str
    key: str


#: Stands where it is not known whether the manifest stated a signature: a row older than that knowledge.
UNKNOWN_SIGNATURE = Stated("", "", "")


@dataclass(frozen=True, slots=True)
class Proof:
    """One full read of a file: the digest found, when, and the fingerprint that held before and after the read.

    `trustworthy` is False where a later `--quick` may not rely on the fingerprint: a file system without stable inode
    and ctime, a change in the same clock tick as the proof, or a file shared with a folder that is not ours.
    `extra` holds further digests of the same read, as pairs of hashlib's name and hexadecimal, sorted.
    """

    sha256: str
    proven_at: datetime
    fingerprint: Fingerprint
    trustworthy: bool
    extra: tuple[tuple[str, str], ...] = ()

    @property
    def digests(self) -> dict[str, str]:
        """Every digest of the read, by hashlib's names."""
        return {**dict(self.extra), "sha256": self.sha256}


@dataclass(frozen=True, slots=True)
class HeldImage:
    """One image inside a held bundle."""

    kind: str
    models: tuple[str, ...]
    version: str


@dataclass(frozen=True, slots=True)
class Held:
    """One bundle file in the store, with the facts of the manifest that it was taken by."""

    place: str
    family: str
    version: str
    name: str
    size: int
    sha256: str
    platform: str
    sequence: int
    digest_from: str
    standing: str
    why: str
    build: str
    taken_at: datetime
    taken_from: str
    way_in: str  # "copy", "reflink", "hard-link", "same-bytes" (a second name), "download", "found" (after a rebuild)
    images: tuple[HeldImage, ...] = field(default=())
    released: date | None = None
    signature: Stated | None = None

    @property
    def shared(self) -> bool:
        """True when the bytes are a hard link to a file that is not ours."""
        return self.way_in == "hard-link"


@dataclass(frozen=True, slots=True)
class Accepted:
    """One manifest that the store accepted and keeps whole.

    `signed_by` and `signed_key` name the trust entry, and its fingerprint, that its signature was good under on the day
    it was accepted; empty where there was none.
    """

    platform: str
    sequence: int
    sha256: str
    place: str
    issued: date
    expires: date | None
    accepted_at: datetime
    signed_by: str = ""
    signed_key: str = ""
