"""The plan of a set of withdrawals alone: the manifest that withdraws, its signature, and the notice that says so.

Rules: the notice is kept in the store, because a plan's files lie there; the same manifest gives the same notice and so
the same set; one volume, as small as it is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.media.set.plan import Common
from bundlekeeper.media.set.withdrawal_notice import ROLE, path_of, write_notice
from bundlekeeper.model.media.index import FilePart, SetFile
from bundlekeeper.model.media.plan import PlannedFile, PlannedVolume, SetPlan
from bundlekeeper.store.contents.store import KEEPER, Store
from bundlekeeper.store.disk import files

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Manifest

_FOLDER = (KEEPER, "sets", "notices")
_ROOM = 16 * 1024 * 1024


def notice_plan(
    store: Store, manifest: Manifest, manifest_sha256: str, commons: Sequence[Common], *, keep: bool = True
) -> SetPlan:
    """The plan; `commons` are the manifest and its signature; not to `keep` the notice is for a look only.

    Raises InputError when the manifest withdraws nothing, UnfinishedError when the notice cannot be kept.
    """
    data = write_notice(manifest)
    digest = hashlib.sha256(data).hexdigest()
    name = f"{digest}.json"
    if keep:
        _keep(store, name, data)
    rows = [(common.file, common.source) for common in commons]
    rows.append((SetFile(path_of(manifest), len(data), digest, ROLE), "/".join((*_FOLDER, name))))
    planned = tuple(
        PlannedFile(replace(file, parts=(FilePart(1, file.path, 0, file.size, file.sha256),)), source)
        for file, source in rows
    )
    used = sum(each.file.size for each in planned)
    volume = PlannedVolume(1, "notice", "any", used + _ROOM, _ROOM, used, used + _ROOM)
    meant_for = f"withdrawals of {manifest.platform}, manifest {manifest.sequence}"
    return SetPlan(manifest.platform, meant_for, manifest_sha256, manifest.sequence, (volume,), planned)


def _keep(store: Store, name: str, data: bytes) -> None:
    """Keep the notice, if it is not kept: it is named by its digest."""
    with (
        files.wrapped("the notice cannot be kept", str(store.root)),
        files.folder(store.fd, _FOLDER, create=True, mode=files.PRIVATE_FOLDER) as home,
    ):
        if not files.exists(home, name):
            files.replace(home, name, data)
