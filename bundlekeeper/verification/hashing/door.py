"""Digests of bytes that were really read: the door to reading one descriptor, copying one, or reading many files.

Rules: memory stays constant whatever the size; a read error is that file's OSError and never a digest; a file that
shrinks, grows or vanishes during the read never harms the process; nothing here knows a path.
"""

from __future__ import annotations

from bundlekeeper.verification.hashing.one_pass import SHA256, copy_fd, digest_fd
from bundlekeeper.verification.hashing.pool import DigestOutcome, Task, digest_many
from bundlekeeper.verification.hashing.read import Digest, Stop, TargetError, TooLong

__all__ = [
    "SHA256",
    "Digest",
    "DigestOutcome",
    "Stop",
    "TargetError",
    "Task",
    "TooLong",
    "copy_fd",
    "digest_fd",
    "digest_many",
]
