"""A notice: the withdrawals that a manifest tells of, as a small file that a set carries, alone or beside bundles.

Rules: a notice adds nothing to the manifest that it is made from, it only says in one short text what that manifest
withdrew; what it says is believed only where the manifest of its set says the same; the manifest itself, admitted as
ever, is what `held` and `where --withdrawn` go by. Form: canonical JSON, one LF at the end.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.formats import json_read, limits
from bundlekeeper.formats.escape import visible

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Manifest

SCHEMA = "bundlekeeper.notice/1"
ROLE = "notice"


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """One bundle that its publisher withdrew, and why."""

    family: str
    version: str
    file: str
    sha256: str
    why: str


def withdrawn_of(manifest: Manifest) -> tuple[Withdrawn, ...]:
    """What the manifest says is withdrawn, in its order."""
    return tuple(
        Withdrawn(str(b.family), b.version, b.file, b.sha256.lower(), b.why or "")
        for b in manifest.bundle
        if str(b.standing) == "withdrawn"
    )


def path_of(manifest: Manifest) -> str:
    """Where a notice lies in the payload of a set."""
    return f"notices/{manifest.platform}-{manifest.sequence}.json"


def write_notice(manifest: Manifest) -> bytes:
    """The notice of a manifest. Raises InputError when it withdraws nothing: there is nothing to tell."""
    rows = withdrawn_of(manifest)
    if not rows:
        raise InputError(
            "the manifest withdraws nothing", hint='mark the bundle: standing = "withdrawn" and why, and raise sequence'
        )
    document = {
        "schema": SCHEMA,
        "platform": manifest.platform,
        "sequence": manifest.sequence,
        "withdrawn": [
            {"family": w.family, "version": w.version, "file": w.file, "sha256": w.sha256, "why": w.why} for w in rows
        ],
    }
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode() + b"\n"


def read_notice(data: bytes, manifest: Manifest, where: str = "") -> tuple[Withdrawn, ...]:
    """What a notice tells, held against the manifest of its set. Raises InputError where it is none or differs."""
    if len(data) > limits.NOTICE_BYTES:
        raise InputError(f"the notice is larger than {limits.NOTICE_BYTES} bytes", where=where)
    found = json_read.loads(data, where)
    schema = found.get("schema") if isinstance(found, dict) else None
    if schema != SCHEMA:
        raise InputError(
            f"the notice is of format {visible(str(schema))[:80]}, this version reads {SCHEMA}", where=where
        )
    if data != write_notice(manifest):
        raise InputError(
            "the notice does not say what the manifest beside it says", where=where, hint="the manifest is what counts"
        )
    return withdrawn_of(manifest)
