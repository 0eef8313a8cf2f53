"""The signature of a manifest, for every job that reads one: finding its file, ruling on it.

Rules: the signature is MANIFEST.sig beside the manifest unless the user names another file; that file is
read through no link; a signature that is not good stops every command (4), one that is not looked at never counts.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.formats import limits
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.inputs import read_bounded

if TYPE_CHECKING:
    from datetime import date

    from bundlekeeper.store.signatures.voucher import Ruling, Voucher

SUFFIX = ".sig"


@dataclass(frozen=True, slots=True)
class GivenManifest:
    """A manifest that the user named: its name, its bytes, and those of its signature (None: there is none)."""

    name: str
    data: bytes
    signature: bytes | None


def given_manifest(name: str, signature: Path | None) -> GivenManifest:
    """The manifest in the file `name` (`-` for stdin), unparsed, with its signature.

    Raises InputError, RefusedError, UnfinishedError as `inputs.read_bounded` and `signature_of`.
    """
    data = read_bounded(name, limits.MANIFEST_BYTES, "the manifest")
    return GivenManifest(name, data, signature_of(name, signature))


def signature_of(manifest: str, option: Path | None) -> bytes | None:
    """The bytes of the manifest's signature, None where there is none.

    Raises InputError when the named file is not there or too large, RefusedError when something else than a small
    file is beside the manifest under the signature's name, UnfinishedError when it cannot be read.
    """
    if option is not None:
        return read_bounded(str(option), limits.SIGNATURE_BYTES, "the signature")
    if manifest == "-":
        return None
    beside = Path(manifest + SUFFIX)
    if not os.path.lexists(beside):
        return None
    from bundlekeeper.store.disk import files

    with files.wrapped("the manifest's signature cannot be read", str(beside)):
        fd = os.open(beside.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            with suppress(FileNotFoundError):
                return files.read_bounded(fd, beside.name, limits.SIGNATURE_BYTES)
        finally:
            os.close(fd)
    return None


def rule_on(voucher: Voucher, name: str, data: bytes, signature: bytes | None, issued: date) -> Ruling:
    """The ruling on the manifest that the user gave as `name`. Raises RefusedError where it may not be used."""
    from bundlekeeper.store.signatures.voucher import insist

    ruling = voucher.rule_manifest(name, data, signature, issued=issued)
    insist(ruling, name)
    return ruling
