"""The result of a verification: a row for every expected bundle and every other file, counts, and how far it came.

Rules: a row states what is known of one file and how it is known; `ok` means read now, to the end, and right; `trusted`
and `not-read` mean that an earlier verification is relied on and is reported; what is not verified is always counted.
"""

from __future__ import annotations

from dataclasses import field
from datetime import datetime
from enum import StrEnum

from bundlekeeper.errors import KeeperError
from bundlekeeper.findings import Finding
from bundlekeeper.frozen import dataclass


class Status(StrEnum):
    """The status of one file. The words that are finding codes mean what they mean there."""

    OK = "ok"  # read now, right
    TRUSTED = "trusted"  # unchanged, as far as stat tells, since a full verification that was right (--quick)
    NOT_READ = "not-read"  # verified recently enough, not read now (--older-than)
    ALTERED = "altered"
    TRUNCATED = "truncated"
    EXTENDED = "extended"
    MISSING = "missing"
    NOT_IN_STORE = "not-in-store"  # named by the manifest; no media set brought it, or it was removed
    MISNAMED = "misnamed"
    EXTRA = "extra"
    UNREADABLE = "unreadable"
    UNVERIFIED = "unverified"  # there, of the right size, not read: stopped, or out of time


@dataclass(slots=True)
class VerifiedRow:
    """One file. Sizes in bytes; `expected` and `found` are SHA-256 in lower-case hexadecimal, empty where unknown.

    `place` is the path from the folder that is verified; empty where nothing was found. `verified_at` is when the bytes
    were last read to the end and were right. `signature` is "good", "not looked at" or the code of what is wrong with
    it, empty where none is stated and none required; `signed_by` names the trust entry that it is good under. `seconds`
    is how long this verification read it, None where it did not.
    """

    name: str
    family: str
    version: str
    place: str
    status: Status
    size: int | None
    expected_size: int | None
    expected: str
    found: str
    verified_at: datetime | None
    message: str = ""
    signature: str = ""
    signed_by: str = ""
    seconds: float | None = None


@dataclass(slots=True)
class VerifyResult:
    """One verification: findings, rows, and how much was verified.

    Counts are of expected files: `verified` read now and right, `trusted` by `--quick`, `skipped` by `--older-than`,
    `unverified` everything else that should be there. Signatures that are stated or required are counted as good,
    not good (`bad`) and not looked at (`unseen`). `files_read` and `bytes_read` count all reading. `stopped` is True
    when a signal ended it, `out_of_time` when the time allowed did. `untrusted_because` is why `--quick` could trust
    nothing on this file system. `trouble` is the error that prevented recording of verifications.
    """

    findings: list[Finding] = field(default_factory=list)
    rows: list[VerifiedRow] = field(default_factory=list)
    verified: int = 0
    trusted: int = 0
    skipped: int = 0
    unverified: int = 0
    signatures_good: int = 0
    signatures_bad: int = 0
    signatures_unseen: int = 0
    files_read: int = 0
    bytes_read: int = 0
    stopped: bool = False
    out_of_time: bool = False
    untrusted_because: str = ""
    trouble: KeeperError | None = None
