"""What is in the store right now: the rows of the store database beside what `stat` says of the files.

Rules: nothing is called verified that was not read: a file whose fingerprint is no longer the verification's counts as
unverified, and so does one without a verification; nothing is read but `stat`; nothing is written.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.durations import human
from bundlekeeper.formats.escape import counted, shell_word
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.manifest.digest_origin import is_own_copy
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database.rows import StoredBundle, Verification
from bundlekeeper.store.database.store_database import StoreDatabase
from bundlekeeper.store.disk.files import Fingerprint


@dataclass(frozen=True, slots=True)
class Holding:
    """One file of the store: its row, its verification if that still counts, and its state in one word.

    `state` is `verified`, `unverified` (never, or changed since) or `missing`; `exposed` is the finding of a file that
    is shared with its source, where others may write it; `ahead` is when it was verified, by a clock that was ahead of
    now: nobody knows when that was, so it counts as not verified since.
    """

    stored: StoredBundle
    verification: Verification | None
    state: str
    message: str
    exposed: Finding | None = None
    ahead: datetime | None = None


def holdings(store: Store, database: StoreDatabase, now: datetime, family: str | None = None) -> list[Holding]:
    """Every file of the store of one family, or of all, in the order of the rows; `now` is aware.

    Raises RefusedError where others may write them, DamagedError, UnfinishedError, LockedError.
    """
    verifications, rows = database.verifications(), database.stored(family)
    exposed = store.rights.insist_on_bundles({stored.place: stored.shared for stored in rows})
    found = [_holding(store, stored, verifications.get(stored.place), now) for stored in rows]
    return [replace(holding, exposed=exposed.get(holding.stored.place)) for holding in found] if exposed else found


def _holding(store: Store, stored: StoredBundle, verification: Verification | None, now: datetime) -> Holding:
    try:
        status = os.stat(stored.place, dir_fd=store.fd, follow_symlinks=False)
    except FileNotFoundError:
        return Holding(stored, None, "missing", "it has a row in the store database, but the file is gone")
    except OSError as error:
        return Holding(stored, None, "unverified", f"the file cannot be looked at: {error.strerror}")
    if verification is None:
        return Holding(stored, None, "unverified", "its bytes were not read since the store database was made")
    if verification.sha256 != stored.sha256:
        return Holding(stored, None, "unverified", "its last verification was for another digest")
    if verification.verified_at > now:
        return Holding(
            stored, None, "unverified", "its last verification is dated later than now", ahead=verification.verified_at
        )
    found = Fingerprint(status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino, status.st_dev)
    # The device's number may change with every mount; the other four together name the file and its state.
    if (found.size, found.mtime_ns, found.ctime_ns, found.inode) != (
        verification.fingerprint.size,
        verification.fingerprint.mtime_ns,
        verification.fingerprint.ctime_ns,
        verification.fingerprint.inode,
    ):
        return Holding(stored, None, "unverified", "the file was touched after its last verification")
    return Holding(stored, verification, "verified", "")


def findings_of(
    rows: list[Holding], now: datetime, max_age_s: float | None = None, manifest: str = "MANIFEST"
) -> list[Finding]:
    """The findings on the rows: missing, unverified, open to others, with a digest of its own, stale, withdrawn.

    `max_age_s` is how old a verification may be in seconds, None for no limit; `manifest` is as in `way_back`.
    """
    found = verified_ahead([holding.ahead for holding in rows if holding.ahead is not None], now)
    for row in rows:
        name = row.stored.name
        if row.state == "missing":
            found.append(finding("missing", name, row.message, way_back(row.stored, manifest)))
        elif row.state == "unverified":
            found.append(finding("unverified", name, row.message, "bundlekeeper verify reads and verifies it"))
        elif (
            max_age_s is not None
            and row.verification is not None
            and now - row.verification.verified_at > timedelta(seconds=max_age_s)
        ):
            age = human((now - row.verification.verified_at).total_seconds())
            message = f"last verified {age} ago; at most {human(max_age_s)} are allowed"
            found.append(finding("stale-verification", name, message, "bundlekeeper verify reads and verifies it"))
        if row.exposed is not None:
            found.append(row.exposed)
        if is_own_copy(row.stored.digest_from):
            message = "its digest was computed from the file itself"
            found.append(finding("self-digest", name, message, "bundlekeeper manifest confirm MANIFEST --against LIST"))
        if row.stored.lifecycle == "withdrawn":
            found.append(finding("withdrawn", name, row.stored.reason or "withdrawn by its publisher"))
    return found


def way_back(stored: StoredBundle | None, manifest: str) -> str:
    """The command that brings a file back, from the folder or mirror that it came from, where that is known.

    `manifest` is the path of the kept manifest as a shell's word. A folder is looked at; a mirror is not.
    """
    command = f"bundlekeeper store add {manifest} --from"
    source = stored.added_from if stored is not None else ""
    folder = source.rpartition("/")[0]
    if stored is None or not folder.startswith(("/", "http")):
        return f"to bring it back: {command} DIR"
    if folder.startswith("http"):
        return f"to bring it back from where it came from: {command} {shell_word(f'{folder}/')}"
    with suppress(OSError):
        if Path(source).stat().st_size == stored.size:
            return f"to bring it back from where it came from: {command} {shell_word(folder)}"
    return f"to bring it back: {command} DIR; it came from {folder}, where it no longer is"


def verified_ahead(times: Sequence[datetime], now: datetime) -> list[Finding]:
    """The finding that files were verified at these times, all later than now; empty where there are none. Pure."""
    if not times:
        return []
    message = f"{counted(len(times), 'file')} verified by a clock that was ahead, up to {max(times):%Y-%m-%d %H:%MZ}"
    hint = "if the clock is right now: bundlekeeper verify verifies them again"
    return [finding("clock-doubtful", f"this machine's clock says {now:%Y-%m-%d %H:%MZ}", message, hint)]
