"""What the store holds right now: the catalogue's rows beside what `stat` says of the files.

Rules: nothing is called proven that was not read: a file whose fingerprint is no longer the proof's counts as unproven,
and so does one without a proof; nothing is read but `stat`; nothing is written.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.durations import human
from bundlekeeper.formats.escape import counted
from bundlekeeper.model.manifest.digest_origin import is_own_copy
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database.catalogue import Catalogue
from bundlekeeper.store.database.rows import Held, Proof
from bundlekeeper.store.disk.files import Fingerprint


@dataclass(frozen=True, slots=True)
class Holding:
    """One held file: its row, its proof if it still stands, and in one word how it stands.

    `state` is `proven`, `unproven` (never, or changed since) or `missing`; `exposed` warns of a file that
    is shared with its source, where others may write that; `ahead` is when it was proven, by a clock that was ahead of
    now: nobody knows when that was, so it counts as not proven since.
    """

    held: Held
    proof: Proof | None
    state: str
    says: str
    exposed: Finding | None = None
    ahead: datetime | None = None


def holdings(store: Store, catalogue: Catalogue, now: datetime, family: str | None = None) -> list[Holding]:
    """Every held file of one family, or of all, in the catalogue's order; `now` is aware.

    Raises RefusedError where others may write them, DamagedError, UnfinishedError, LockedError.
    """
    proofs, rows = catalogue.proofs(), catalogue.held(family)
    exposed = store.rights.insist_on_bundles({held.place: held.shared for held in rows})
    found = [_holding(store, held, proofs.get(held.place), now) for held in rows]
    return [replace(holding, exposed=exposed.get(holding.held.place)) for holding in found] if exposed else found


def _holding(store: Store, held: Held, proof: Proof | None, now: datetime) -> Holding:
    try:
        status = os.stat(held.place, dir_fd=store.fd, follow_symlinks=False)
    except FileNotFoundError:
        return Holding(held, None, "missing", "the catalogue knows it, the file is gone")
    except OSError as error:
        return Holding(held, None, "unproven", f"the file cannot be looked at: {error.strerror}")
    if proof is None:
        return Holding(held, None, "unproven", "its bytes were never read since the catalogue was made")
    if proof.sha256 != held.sha256:
        return Holding(held, None, "unproven", "its last proof was for another digest")
    if proof.proven_at > now:
        return Holding(held, None, "unproven", "its last proof is dated later than now", ahead=proof.proven_at)
    found = Fingerprint(status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino, status.st_dev)
    # The device's number may change with every mount; the other four together name the file and its state.
    if (found.size, found.mtime_ns, found.ctime_ns, found.inode) != (
        proof.fingerprint.size,
        proof.fingerprint.mtime_ns,
        proof.fingerprint.ctime_ns,
        proof.fingerprint.inode,
    ):
        return Holding(held, None, "unproven", "the file was touched after its last proof")
    return Holding(held, proof, "proven", "")


def findings_of(rows: list[Holding], now: datetime, max_age_s: float | None = None) -> list[Finding]:
    """What is worth knowing of the rows: missing, unproven, open to others, self-proven or stale, withdrawn.

    `max_age_s` is how old a proof may be in seconds, None for no limit.
    """
    found = proven_ahead([holding.ahead for holding in rows if holding.ahead is not None], now)
    for row in rows:
        name = row.held.name
        if row.state == "missing":
            found.append(finding("missing", name, row.says, "take it again, or find out who removed it"))
        elif row.state == "unproven":
            found.append(finding("unproven", name, row.says, "bundlekeeper check reads and proves it"))
        elif (
            max_age_s is not None and row.proof is not None and now - row.proof.proven_at > timedelta(seconds=max_age_s)
        ):
            age = human((now - row.proof.proven_at).total_seconds())
            says = f"last proven {age} ago; at most {human(max_age_s)} are accepted"
            found.append(finding("stale-proof", name, says, "bundlekeeper check reads and proves it"))
        if row.exposed is not None:
            found.append(row.exposed)
        if is_own_copy(row.held.digest_from):
            says = "its digest was computed from the file itself"
            found.append(finding("self-digest", name, says, "bundlekeeper manifest confirm MANIFEST --against LIST"))
        if row.held.standing == "withdrawn":
            found.append(finding("withdrawn", name, row.held.why or "withdrawn by its publisher"))
    return found


def proven_ahead(times: Sequence[datetime], now: datetime) -> list[Finding]:
    """The finding that files were proven at these times, all later than now; nothing where there are none. Pure."""
    if not times:
        return []
    says = f"{counted(len(times), 'file')} proven by a clock that was ahead, up to {max(times):%Y-%m-%d %H:%MZ}"
    hint = "is the clock right now? Then bundlekeeper check proves them again"
    return [finding("clock-doubtful", f"this machine's clock says {now:%Y-%m-%d %H:%MZ}", says, hint)]
