"""Files of the store that turned out wrong: moved to quarantine, their bytes kept.

Rules: only under the store's lock, and only while the file is still the very one that was looked at; a file that
cannot be moved stays, and the finding reports it; the row is removed after the file is gone from its place.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace

from bundlekeeper.errors import KeeperError
from bundlekeeper.model.progress import Clock
from bundlekeeper.model.verify_result import VerifyResult
from bundlekeeper.store.contents import quarantine
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database.store_database import StoreDatabase
from bundlekeeper.store.disk import files, lock, temp_files
from bundlekeeper.store.verifying.expected import as_facts
from bundlekeeper.store.verifying.judge import WrongFile
from bundlekeeper.verification.hashing.door import digest_fd

_STAYS = "not moved to quarantine"


def move_to_quarantine(
    store: Store,
    database: StoreDatabase,
    wrong: Sequence[WrongFile],
    result: VerifyResult,
    *,
    clock: Clock,
    wait_s: float = 0.0,
) -> None:
    """Move the wrong files to quarantine; add to each finding where the file is now, or why it was not moved.

    Raises nothing: a failure is reported in the findings.
    """
    outcomes: dict[str, str] = {}
    try:
        with lock.held(store.fd, "verify", clock=clock, wait_s=wait_s, where=str(store.root)):
            # All are looked at before the first is moved: moving one name of a file changes the ctime of the others.
            changed = {file.entry.path for file in wrong if not _still_there(store, file)}
            for file in wrong:
                if file.entry.path in changed:
                    outcomes[file.entry.path] = f"{_STAYS}: it changed since it was looked at"
                else:
                    outcomes[file.entry.path] = _moved(store, database, file, clock)
    except KeeperError as error:
        for file in wrong:
            outcomes.setdefault(file.entry.path, f"{_STAYS}: {error.message}")
    codes = {file.entry.path: file.row.status.value for file in wrong}
    result.findings[:] = [
        replace(finding, message=f"{finding.message}; {outcomes[finding.subject]}")
        if codes.get(finding.subject) == finding.code
        else finding
        for finding in result.findings
    ]


def _still_there(store: Store, wrong: WrongFile) -> bool:
    try:
        with files.folder(store.fd, wrong.entry.path.split("/")[:-1]) as folder:
            now = os.lstat(wrong.entry.name, dir_fd=folder)
    except (OSError, KeeperError):
        return False
    return wrong.entry.stat is not None and files.fingerprint_of(now) == files.fingerprint_of(wrong.entry.stat)


def _moved(store: Store, database: StoreDatabase, wrong: WrongFile, clock: Clock) -> str:
    place = wrong.entry.path
    try:
        with (
            files.wrapped("the file cannot be moved", place),
            temp_files.opened(store.fd) as room,
            files.folder(store.fd, place.split("/")[:-1]) as folder,
        ):
            if not wrong.row.found:  # its size was enough to judge it; quarantine needs its digest for the name
                with files.regular(folder, wrong.entry.name) as fd:
                    wrong.row.found = digest_fd(fd).sha256
            what = quarantine.QuarantineReason(
                as_facts(wrong.facts), wrong.row.size, wrong.row.found, place, wrong.reason
            )
            moved = quarantine.move_in(store.fd, room, folder, what, clock())
        database.forget(place)
    except KeeperError as error:
        return f"{_STAYS}: {error.message}"
    return f"moved to {moved}"
