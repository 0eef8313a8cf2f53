"""Files of the store that turned out wrong: moved to quarantine, their bytes kept.

Rules: only under the store's lock, and only while the file is still the very one that was read; a file that cannot be
moved stays, and the finding says so; the catalogue forgets a place after its file is gone from it.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace

from bundlekeeper.errors import KeeperError
from bundlekeeper.model.checked import CheckResult
from bundlekeeper.model.progress import Clock
from bundlekeeper.store import files, incoming, lock, quarantine
from bundlekeeper.store.catalogue import Catalogue
from bundlekeeper.store.judging import Wrong
from bundlekeeper.store.layout import Store
from bundlekeeper.store.listing import as_facts


def put_aside(
    store: Store,
    catalogue: Catalogue,
    wrong: Sequence[Wrong],
    result: CheckResult,
    *,
    clock: Clock,
    wait_s: float = 0.0,
) -> None:
    """Move the wrong files out of the families' folders; say in each one's finding where it is now, or why not.

    Raises nothing: a failure is told in the findings.
    """
    told: dict[str, str] = {}
    try:
        with lock.held(store.fd, "check", clock=clock, wait_s=wait_s, where=str(store.root)):
            for each in wrong:
                told[each.entry.path] = _one(store, catalogue, each, clock)
    except KeeperError as error:
        for each in wrong:
            told.setdefault(each.entry.path, f"not moved to quarantine: {error.says}")
    result.findings[:] = [
        replace(f, says=f"{f.says}; {told[f.subject]}") if f.subject in told and f.code == codes[f.subject] else f
        for codes in ({each.entry.path: each.row.status.value for each in wrong},)
        for f in result.findings
    ]


def _one(store: Store, catalogue: Catalogue, wrong: Wrong, clock: Clock) -> str:
    place = wrong.entry.path
    what = quarantine.Wrong(as_facts(wrong.facts), wrong.row.size, wrong.row.found, place, wrong.why)
    try:
        with (
            files.wrapped("the file cannot be moved", place),
            incoming.opened(store.fd) as room,
            files.folder(store.fd, place.split("/")[:-1]) as folder,
        ):
            now = os.lstat(wrong.entry.name, dir_fd=folder)
            if wrong.entry.stat is None or files.fingerprint_of(now) != files.fingerprint_of(wrong.entry.stat):
                return "not moved to quarantine: it changed since it was read"
            moved = quarantine.move_in(store.fd, room, folder, what, clock())
        catalogue.forget(place)
    except KeeperError as error:
        return f"not moved to quarantine: {error.says}"
    return f"moved to {moved}"
