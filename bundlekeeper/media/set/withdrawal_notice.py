"""A notice: the withdrawals of a manifest, as a small file that a set carries, alone or beside bundles.

Rules: a notice adds nothing to the manifest that it is made from; it only lists what that manifest withdraws; it counts
only where the manifest of its set says the same; `store list` and `where --withdrawn` use the manifest itself, which is
admitted like any other. Form: canonical JSON, one LF at the end.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.formats.document import JsonDocument, array, hexadecimal, nested, text, whole
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.media.index import MAX_FILES

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Manifest

ROLE = "notice"


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """One bundle that its publisher withdrew, and the reason."""

    family: str = field(metadata=text(empty=True))
    version: str = field(metadata=text(empty=True))
    file: str = field(metadata=text(empty=True))
    sha256: str = field(metadata=hexadecimal(64))
    reason: str = field(metadata=text(empty=True))


@dataclass(frozen=True, slots=True)
class Notice:
    """What a manifest of this platform and number withdraws."""

    platform: str = field(metadata=text())
    sequence: int = field(metadata=whole())
    withdrawn: tuple[Withdrawn, ...] = field(metadata=array(nested(Withdrawn), MAX_FILES))


_NOTICE = JsonDocument(
    Notice, "bundlekeeper.notice/1", what="the notice", kind="notice of withdrawals", limit=limits.NOTICE_BYTES
)


def withdrawn_of(manifest: Manifest) -> tuple[Withdrawn, ...]:
    """The bundles that the manifest withdraws, in its order."""
    return tuple(
        Withdrawn(str(bundle.family), bundle.version, bundle.file, bundle.sha256.lower(), bundle.reason or "")
        for bundle in manifest.bundle
        if str(bundle.lifecycle) == "withdrawn"
    )


def path_of(manifest: Manifest) -> str:
    """Where a notice lies in the payload of a set."""
    return f"notices/{manifest.platform}-{manifest.sequence}.json"


def write_notice(manifest: Manifest) -> bytes:
    """The notice of a manifest. Raises InputError when it withdraws nothing."""
    rows = withdrawn_of(manifest)
    if not rows:
        raise InputError(
            "the manifest withdraws nothing",
            hint='mark the bundle in it: lifecycle = "withdrawn" and reason = "…", and raise sequence',
        )
    return _NOTICE.write(Notice(manifest.platform, manifest.sequence, rows))


def read_notice(data: bytes, manifest: Manifest, where: str = "") -> tuple[Withdrawn, ...]:
    """The withdrawals of a notice. Raises InputError where it is no notice, or not that of its set's manifest."""
    _NOTICE.read(data, where)
    if data != write_notice(manifest):
        raise InputError("the notice differs from the manifest beside it", where=where, hint="the manifest counts")
    return withdrawn_of(manifest)
