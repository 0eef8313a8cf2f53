"""The rows of the store database as types; nothing here touches a file or a database.

Rules: times are aware UTC; a place is a path inside the store (posix, relative) or, for any other folder, an absolute
path; digests are lower-case hexadecimal.
"""

from __future__ import annotations

from dataclasses import fields
from datetime import date, datetime

from bundlekeeper.formats.safe_names import safe_folder
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.manifest.digest_origin import is_own_copy
from bundlekeeper.store.disk.files import Fingerprint


@dataclass(frozen=True, slots=True)
class Stated:
    """What a manifest states about a bundle's signature: its file's name, its form, the trust entry's name."""

    file: str
    form: str
    key: str


@dataclass(frozen=True, slots=True)
class Verification:
    """One full read of a file: its digest, when, and its fingerprint, the same before and after the read.

    `trustworthy` is False where a later `--quick` may not rely on the fingerprint: a file system without stable inode
    and ctime, a change in the same clock tick as the verification, or a file shared with a folder that is not ours.
    `extra` holds further digests of the same read, as pairs of hashlib's name and hexadecimal, sorted.
    """

    sha256: str
    verified_at: datetime
    fingerprint: Fingerprint
    trustworthy: bool
    extra: tuple[tuple[str, str], ...] = ()

    @property
    def digests(self) -> dict[str, str]:
        """Every digest of the read, by hashlib's names."""
        return {**dict(self.extra), "sha256": self.sha256}


@dataclass(frozen=True, slots=True)
class StoredImage:
    """One image inside a stored bundle."""

    kind: str
    models: tuple[str, ...]
    version: str


@dataclass(frozen=True, slots=True)
class BundleFacts:
    """One bundle as one manifest describes it, and its path inside the store; `size` in bytes.

    `place` follows from family, version and name; it is computed once, when it is not given.
    """

    family: str
    version: str
    name: str
    size: int
    sha256: str
    platform: str
    sequence: int
    digest_from: str = ""
    lifecycle: str = ""
    reason: str = ""
    variant: str = ""
    images: tuple[StoredImage, ...] = ()
    released: date | None = None
    signature: Stated | None = None
    place: str = ""

    def __post_init__(self) -> None:
        """Compute the place where it is not given."""
        if not self.place:
            object.__setattr__(self, "place", f"{self.family}/{safe_folder(self.version)}/{self.name}")

    @property
    def folder(self) -> tuple[str, str]:
        """The bundle's folder inside the store, as components."""
        family, version, _ = self.place.split("/", 2)
        return family, version

    @property
    def is_self_digest(self) -> bool:
        """True when the digest was computed from the very file that it is meant to verify."""
        return is_own_copy(self.digest_from)

    def stored(self, *, added_at: datetime, added_from: str, way_in: str) -> StoredBundle:
        """The row of this bundle in the store database: added when, from where, and how."""
        facts = {field.name: getattr(self, field.name) for field in fields(BundleFacts)}
        return StoredBundle(**facts, added_at=added_at, added_from=added_from, way_in=way_in)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredBundle(BundleFacts):
    """One bundle file in the store, with the facts of the manifest that it was added by."""

    added_at: datetime
    added_from: str
    way_in: str  # "copy", "reflink", "hard-link", "same-bytes" (a second name), "download", "found" (after a rebuild)

    @property
    def shared(self) -> bool:
        """True when the bytes are a hard link to a file that is not ours."""
        return self.way_in == "hard-link"


@dataclass(frozen=True, slots=True)
class Admitted:
    """One manifest that the store admitted and keeps whole.

    `signed_by` and `signed_key` name the trust entry, and its fingerprint, under which its signature was good on the
    day it was admitted; empty where there was none.
    """

    platform: str
    sequence: int
    sha256: str
    place: str
    issued: date
    expires: date | None
    admitted_at: datetime
    signed_by: str = ""
    signed_key: str = ""
