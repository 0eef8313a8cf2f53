"""A catalogue from the tree: what can be known again of a store whose catalogue is gone.

Rules: the manifests that the store kept say what each file should be; a file that none of them names gets no row
(`check` reports it as extra); no file counts as proven; times are those of the files themselves.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime

from bundlekeeper.errors import KeeperError
from bundlekeeper.store import files
from bundlekeeper.store.catalogue import Catalogue
from bundlekeeper.store.facts import Facts, facts_of
from bundlekeeper.store.records import Accepted

MANIFEST_LIMIT = 16 * 1024 * 1024  # bytes; model.manifest.MAX_BYTES, which costs pydantic to import


def fill(root: int, catalogue: Catalogue) -> None:
    """Put the kept manifests and the files that they name into the catalogue, unproven.

    Raises UnfinishedError, RefusedError, OSError.
    """
    try:
        with files.folder(root, ("manifests",)) as folder:
            kept = sorted(
                filter(None, (_manifest(folder, n) for n in os.listdir(folder) if n.endswith(".toml"))), key=_age
            )
    except FileNotFoundError:
        return
    for accepted, facts in kept:
        catalogue.accept(accepted, facts)
        for each in facts:
            _file(root, catalogue, each)


def _age(kept: tuple[Accepted, tuple[Facts, ...]]) -> tuple[datetime, int]:
    return kept[0].accepted_at, kept[0].sequence


def _manifest(folder: int, name: str) -> tuple[Accepted, tuple[Facts, ...]] | None:
    from bundlekeeper.model.reading import read  # costs pydantic; a rebuild is rare

    try:
        data = files.read_bounded(folder, name, MANIFEST_LIMIT)
        at = datetime.fromtimestamp(os.lstat(name, dir_fd=folder).st_mtime, UTC)
        loaded = read(data, name=name, today=at.date())
    except KeeperError:
        return None  # not a manifest that this version can read; the file stays
    manifest = loaded.manifest
    accepted = Accepted(
        manifest.platform, manifest.sequence, loaded.sha256, f"manifests/{name}", manifest.issued, manifest.expires, at
    )
    return accepted, facts_of(manifest)


def _file(root: int, catalogue: Catalogue, facts: Facts) -> None:
    try:
        with files.folder(root, facts.folder) as folder, files.regular(folder, facts.name) as fd:
            status = os.fstat(fd)
    except PermissionError:
        raise  # nobody knows what is there: a catalogue without it would say that nothing is
    except (OSError, KeeperError):
        return
    if status.st_size == facts.size:
        at = datetime.fromtimestamp(status.st_ctime, UTC)
        catalogue.record_held(facts.held(taken_at=at, taken_from="", way_in="found"), None)
