"""Taking a manifest's bundles into the store: one read each, nothing in place that was not proven.

Rules: what is in and proven is not read again; every other bundle is hashed while it is copied; a bundle is in the
catalogue only after its file, its name and its folder are on the disk; what does not match goes to quarantine and the
rest goes on; a failure of a source is a finding, a failure of the store ends the work, and what was taken stays.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.errors import KeeperError
from bundlekeeper.model.findings import Finding
from bundlekeeper.model.progress import Clock, Progress
from bundlekeeper.proof.reading import Stop
from bundlekeeper.store import admission, files, incoming, lock
from bundlekeeper.store.facts import facts_of
from bundlekeeper.store.layout import Store
from bundlekeeper.store.sources import Link, Source, Wanted
from bundlekeeper.store.taking import TakeRow, Taking

if TYPE_CHECKING:
    from bundlekeeper.model.reading import Loaded


@dataclass(frozen=True, slots=True)
class TakeResult:
    """What came of a take: a row per bundle in the manifest's order, and what was found."""

    rows: tuple[TakeRow, ...]
    findings: tuple[Finding, ...]
    dry_run: bool = False

    @property
    def counts(self) -> dict[str, int]:
        """How many bundles have each status."""
        return dict(Counter(row.status for row in self.rows))

    @property
    def read_bytes(self) -> int:
        """Bytes that were read, from sources and in the store."""
        return sum(row.read_bytes for row in self.rows)


def take(
    store: Store,
    loaded: Loaded,
    sources: Sequence[Source],
    *,
    clock: Clock,
    progress: Progress,
    link: Link = "none",
    stop: Stop | None = None,
    wait_s: float = 0.0,
    dry_run: bool = False,
    accept_expired: str | None = None,
    accept_rollback: str | None = None,
) -> TakeResult:
    """Take the manifest's bundles from the sources (tried in their order) into the store.

    `wait_s` seconds are waited for the store's lock. Raises RefusedError (manifest, store), InputError (a source that
    is not there), LockedError, DamagedError, UnfinishedError (no room, I/O), StoppedError; what was taken stays.
    """
    whys = admission.Whys(accept_expired, accept_rollback)
    facts = facts_of(loaded.manifest)
    where = str(store.root)
    with (
        lock.held(store.fd, "take", clock=clock, wait_s=wait_s, stop=stop, where=where),
        files.wrapped("the store failed", where),
        incoming.opened(store.fd) as room,
        store.catalogue(write=True) as catalogue,
    ):
        room.sweep()
        admitted = admission.judge(loaded, catalogue.accepted(), clock(), whys)
        wanted = [Wanted(each.name, each.size, each.sha256) for each in facts]
        unseen = [sentence for source in sources for sentence in source.survey(wanted)]
        admission.admit(store.fd, room, catalogue, admitted, loaded.data, facts)
        taking = Taking(store, room, catalogue, sources, facts, clock, progress, link, stop)
        taking.findings.extend(admitted.findings)
        with _telling(progress, taking):
            for each in facts:
                taking.one(each, unseen)
        return TakeResult(tuple(taking.rows), tuple(taking.findings))


@contextmanager
def _telling(progress: Progress, taking: Taking) -> Iterator[None]:
    progress.begin("taking", sum(each.size for each in taking.facts), len(taking.facts))
    try:
        yield
    except KeeperError as error:
        done = sum(row.status == "taken" for row in taking.rows)
        if done:
            error.hint = f"{error.hint}; " * bool(error.hint) + f"{done} bundles taken before this stay"
        raise
    finally:
        progress.done()


__all__ = ["TakeResult", "TakeRow", "take"]
