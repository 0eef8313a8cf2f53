"""A notice: the withdrawals that a manifest tells of, as a small file that a set carries, alone or beside bundles.

Rules: a notice adds nothing to the manifest that it is made from, it only says in one short text what that manifest
withdrew; what it says is believed only where the manifest of its set says the same; the manifest itself, admitted as
ever, is what `store list` and `where --withdrawn` go by. Form: canonical JSON, one LF at the end.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.formats.document import JsonDocument, array, hexadecimal, nested, text, whole
from bundlekeeper.model.media.index import MAX_FILES

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Manifest

ROLE = "notice"


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """One bundle that its publisher withdrew, and why."""

    family: str = field(metadata=text(empty=True))
    version: str = field(metadata=text(empty=True))
    file: str = field(metadata=text(empty=True))
    sha256: str = field(metadata=hexadecimal(64))
    reason: str = field(metadata=text(empty=True))


@dataclass(frozen=True, slots=True)
class Notice:
    """What a manifest of this platform and number withdrew."""

    platform: str = field(metadata=text())
    sequence: int = field(metadata=whole())
    withdrawn: tuple[Withdrawn, ...] = field(metadata=array(nested(Withdrawn), MAX_FILES))


_NOTICE = JsonDocument(
    Notice, "bundlekeeper.notice/1", what="the notice", kind="notice of withdrawals", limit=limits.NOTICE_BYTES
)


def withdrawn_of(manifest: Manifest) -> tuple[Withdrawn, ...]:
    """What the manifest says is withdrawn, in its order."""
    return tuple(
        Withdrawn(str(bundle.family), bundle.version, bundle.file, bundle.sha256.lower(), bundle.reason or "")
        for bundle in manifest.bundle
        if str(bundle.lifecycle) == "withdrawn"
    )


def path_of(manifest: Manifest) -> str:
    """Where a notice lies in the payload of a set."""
    return f"notices/{manifest.platform}-{manifest.sequence}.json"


def write_notice(manifest: Manifest) -> bytes:
    """The notice of a manifest. Raises InputError when it withdraws nothing: there is nothing to tell."""
    rows = withdrawn_of(manifest)
    if not rows:
        raise InputError(
            "the manifest withdraws nothing",
            hint='mark the bundle: lifecycle = "withdrawn" and why, and raise sequence',
        )
    return _NOTICE.write(Notice(manifest.platform, manifest.sequence, rows))


def read_notice(data: bytes, manifest: Manifest, where: str = "") -> tuple[Withdrawn, ...]:
    """What a notice tells, held against the manifest of its set. Raises InputError where it is none or differs."""
    _NOTICE.read(data, where)
    if data != write_notice(manifest):
        raise InputError(
            "the notice does not say what the manifest beside it says", where=where, hint="the manifest is what counts"
        )
    return withdrawn_of(manifest)
