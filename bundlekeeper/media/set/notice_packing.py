"""The packing of a set of withdrawals alone: the manifest that withdraws bundles, its signature, and the notice.

Rules: the notice is kept in the store, as all files of a packing are; the same manifest gives the same notice, and so
the same set; the set is one small volume.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.media.set.packing import Common
from bundlekeeper.media.set.withdrawal_notice import ROLE, path_of, write_notice
from bundlekeeper.model.media.index import FilePart, SetFile
from bundlekeeper.model.media.packing import PackedFile, PackedVolume, SetPacking
from bundlekeeper.store.contents.store import KEEPER, Store
from bundlekeeper.store.disk import files

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Manifest

_FOLDER = (KEEPER, "sets", "notices")
_SPARE_BYTES = 16 * 1024 * 1024


def notice_packing(
    store: Store, manifest: Manifest, manifest_sha256: str, commons: Sequence[Common], *, keep: bool = True
) -> SetPacking:
    """The packing; `commons` are the manifest and its signature; with `keep` False the notice is not kept: a dry run.

    Raises InputError when the manifest withdraws nothing, UnfinishedError when the notice cannot be kept.
    """
    data = write_notice(manifest)
    digest = hashlib.sha256(data).hexdigest()
    name = f"{digest}.json"
    if keep:
        _keep(store, name, data)
    sources = [(common.file, common.source) for common in commons]
    sources.append((SetFile(path_of(manifest), len(data), digest, ROLE), "/".join((*_FOLDER, name))))
    packed_files = tuple(
        PackedFile(replace(file, parts=(FilePart(1, file.path, 0, file.size, file.sha256),)), source)
        for file, source in sources
    )
    used = sum(packed_file.file.size for packed_file in packed_files)
    volume = PackedVolume(1, "notice", "any", used + _SPARE_BYTES, _SPARE_BYTES, used, used + _SPARE_BYTES)
    meant_for = f"withdrawals of {manifest.platform}, manifest {manifest.sequence}"
    return SetPacking(manifest.platform, meant_for, manifest_sha256, manifest.sequence, (volume,), packed_files)


def _keep(store: Store, name: str, data: bytes) -> None:
    """Keep the notice under its digest, unless it is kept already."""
    with (
        files.wrapped("the notice cannot be kept", str(store.root)),
        files.folder(store.fd, _FOLDER, create=True, mode=files.PRIVATE_FOLDER) as home,
    ):
        if not files.exists(home, name):
            files.replace(home, name, data)
