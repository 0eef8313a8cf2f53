"""Adding one bundle after another: in place already, the same bytes elsewhere in the store, or from a source.

Rules: files of servers are fetched a little ahead, several at a time; all else is done in the plan's order; a bundle is
recorded only when it is durably in its place; a wrong file goes to quarantine before it is reported; a failure of a
source concerns one bundle, a failure of the store ends the run.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import replace
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING

from bundlekeeper.errors import KeeperError, StoppedError
from bundlekeeper.findings import Finding
from bundlekeeper.model.progress import Clock, Progress
from bundlekeeper.store.adding.batch import WaitingFile, WaitingFiles
from bundlekeeper.store.adding.fetch_ahead import AheadFetches, Job
from bundlekeeper.store.adding.outcome import AddRow, QuarantinedFile, Work, quarantine_reason, too_large
from bundlekeeper.store.adding.plan import AddingPlan, AddingStep, ask, wanted_of
from bundlekeeper.store.adding.signatures import BundleSignatures
from bundlekeeper.store.adding.sources import BundleSource, Fetched, FileOffer, FoundFile, Link, SourceError
from bundlekeeper.store.contents import findings as verdicts
from bundlekeeper.store.contents import place as placing
from bundlekeeper.store.contents import quarantine, unchanged
from bundlekeeper.store.database.rows import BundleFacts, StoredBundle, Verification
from bundlekeeper.store.database.store_database import StoreDatabase
from bundlekeeper.store.disk import files
from bundlekeeper.store.disk.filesystem import describe_fd
from bundlekeeper.store.disk.temp_files import Incoming
from bundlekeeper.verification.hashing.door import copy_fd, digest_fd
from bundlekeeper.verification.hashing.read import Stop, TooLong

if TYPE_CHECKING:
    from bundlekeeper.store.contents.store import Store

_TOGETHER = 100  # names of one file that are linked in one transaction
_NO_LINK = {errno.EPERM, errno.EMLINK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EXDEV, errno.ENOENT}


class AddingRun:
    """The state of one run of `store add`."""

    def __init__(
        self,
        store: Store,
        room: Incoming,
        database: StoreDatabase,
        sources: Sequence[BundleSource],
        *,
        clock: Clock,
        progress: Progress,
        link: Link,
        stop: Stop | None,
        signatures: BundleSignatures,
    ) -> None:
        self._signatures = signatures
        self._store, self._room, self._database, self._sources = store, room, database, sources
        self._clock, self._progress, self._way, self._stop = clock, progress, link, stop
        self.stored = {bundle.place: bundle for bundle in database.stored()}
        self.verifications = database.verifications()
        self._places: dict[str, set[str]] = {}  # by digest
        for row in self.stored.values():
            self._places.setdefault(row.sha256, set()).add(row.place)
        self.kind = describe_fd(store.fd)
        self._works: dict[str, Work] = {}
        self._twins: dict[str, list[Work]] = {}  # the same by digest
        self._now: Work | None = None
        self._ahead = AheadFetches(iter(()), stop)
        self._batch = WaitingFiles(store, database, clock, self.kind)

    def rows(self) -> tuple[AddRow, ...]:
        """The rows of the bundles that are done, in the plan's order."""
        return tuple(work.row() for work in self._works.values() if work.done)

    def findings(self, unseen: Sequence[str]) -> tuple[Finding, ...]:
        """The findings until now, in the plan's order; `unseen` says what of the sources could not be looked at."""
        known = verdicts.owners((work.facts for work in self._works.values()), self.stored.values())
        return tuple(finding for work in self._works.values() for finding in work.findings(known, unseen))

    def run(self, planned: Sequence[AddingPlan]) -> None:
        """Do every step of the plan. Raises UnfinishedError when the store fails, StoppedError.

        Files in the store are judged first, and bundles that no source had are looked for again at the end, so that
        bytes which are there under any name serve every bundle.
        """
        self._works = {p.facts.place: Work(p.facts) for p in planned}
        for work in self._works.values():
            self._twins.setdefault(work.facts.sha256, []).append(work)
        for bundle in planned:
            if bundle.step is AddingStep.VERIFY:
                with self._at(bundle.facts) as work:
                    work.done = self._verify(work)
        with AheadFetches(self._jobs(planned), self._stop) as self._ahead, self._together():
            for bundle in planned:
                if not self._works[bundle.facts.place].done:
                    if self._batch.has(bundle.facts.sha256):  # those bytes get this name, too
                        self._batch.settle(self._known, self._taken)
                    with self._at(bundle.facts) as work:
                        self._bring(bundle, work)
                        work.done = work not in self._batch
                        self._ahead.forget(bundle.facts.place)
                    if self._batch.full:
                        self._batch.settle(self._known, self._taken)
        for work in self._works.values():
            open_still = not work.settled and not work.clash and not work.ruling and not work.badly_signed
            if open_still and work.offers is not None and self._places.get(work.facts.sha256):
                with self._at(work.facts):
                    self._from_within(work)

    @contextmanager
    def _together(self) -> Iterator[None]:
        """Settle what waits at the end of the block, also where it ends early: what was finished stays."""
        with closing(self._batch):
            try:
                yield
            except KeeperError:
                with suppress(KeeperError):
                    self._batch.settle(self._known, self._taken)
                raise
            self._batch.settle(self._known, self._taken)

    def _taken(self, work: Work) -> bool:
        """Judge a file that somebody put there since the plan was made like one that was there before."""
        with self._at(work.facts):
            work.done = self._verify(work)
        return work.done

    @contextmanager
    def _at(self, facts: BundleFacts) -> Iterator[Work]:
        """The bundle's work, which now counts the bytes that are read; its errors name it."""
        if self._stop is not None and self._stop.is_set():
            raise StoppedError("stopped between two bundles")
        self._now = self._works[facts.place]
        self._progress.file(facts.name)
        with files.wrapped(f"{facts.name} could not be stored", str(self._store.root)):
            yield self._now
        self._signatures.forget(facts)

    def _bring(self, planned: AddingPlan, work: Work) -> None:
        if planned.step is AddingStep.NOTHING and self._keep_in_place(work):
            return
        if planned.step is AddingStep.CLASH:
            work.clash = self.stored[work.facts.place]
        if work.clash is not None or not self._from_within(work):
            self._fetch(planned, work)

    def _keep_in_place(self, work: Work) -> bool:
        """Keep a bundle that is in place and verified, but look at its signature. False when the file is wrong."""
        row = self.stored[work.facts.place]
        if self._signatures.concerns(work.facts):
            known = self.verifications[row.place].digests
            if any(algorithm not in known for algorithm in self._signatures.algorithms(work.facts)):
                return self._verify(work)
            with placing.in_place(self._store.fd, row.place) as found:
                if found is not None:
                    work.ruling = self._signatures.rule_and_keep(work.facts, known, found.fd)
        work.ended("already there", row.way_in, row.added_from)
        return True

    def _may_place(
        self,
        work: Work,
        digests: Mapping[str, str],
        fd: int,
        source: BundleSource | None = None,
        offer: FileOffer | None = None,
    ) -> bool:
        """Rule on the signature of right bytes; False, and the bundle is refused, where they may not be used."""
        if not self._signatures.concerns(work.facts):
            return True
        work.ruling = self._signatures.rule_and_keep(work.facts, digests, fd, source, offer)
        if work.ruling.blocks:
            work.status = "refused"
        return not work.ruling.blocks

    def _count(self, count: int) -> None:
        if self._now is not None:
            self._count_for(self._now, count)

    def _count_for(self, work: Work, count: int) -> None:
        """Count bytes that were read for a bundle; also called by the thread that fetches its file ahead."""
        work.read_bytes += count
        self._progress.advance(count)

    # In place already

    def _verify(self, work: Work) -> bool:
        """Read what is in place; True when nothing more can be done, False when the bundle must still be brought."""
        facts = work.facts
        with placing.in_place(self._store.fd, facts.place) as found:
            if found is None:
                return False
            row = self.stored.get(facts.place)
            got = self._read_in_place(found, row, work, self._signatures.algorithms(facts))
            if got is None:
                work.status = "failed"
                return True
            sha256, size, verification = got
            if sha256 == facts.sha256:
                known = row is not None and row.sha256 == sha256
                if not self._may_place(work, verification.digests, found.fd) and not known:
                    return True  # somebody put it there: it stays, and gets no row
                if row is None or not known:
                    row = facts.stored(added_at=self._clock(), added_from="", way_in="found")
                self._record(row, verification)
                note = "verified again" + ": its file is shared with its source, and not trusted unread" * row.shared
                work.ended("already there", row.way_in, row.added_from, note)
                return True
            if row is not None and row.sha256 == sha256:
                self._record(row, verification)
                work.clash = row
                return False
            wrong = quarantine.QuarantineReason(
                facts, size, sha256, facts.place, "the file in the store was not the manifest's"
            )
            self._forget(facts.place)  # first: a row without its file would be wrong
            try:
                kept = quarantine.move_in(self._store.fd, self._room, found.folder, wrong, self._clock())
            except OSError as error:
                work.quarantined += (
                    QuarantinedFile(wrong, "", f"and could not be moved to quarantine: {error.strerror}"),
                )
                work.status = "failed"
                return True
            work.quarantined += (QuarantinedFile(wrong, kept),)
            work.status = "quarantined"
            return False

    def _read_in_place(
        self, found: placing.InPlace, row: StoredBundle | None, work: Work, algorithms: Sequence[str]
    ) -> tuple[str, int, Verification] | None:
        """Digest, size and verification of a stored file; None, and the reason in `work`, when it cannot be read."""
        try:
            began_ns, at = unchanged.begin(found.fd), self._clock()
            digest = digest_fd(
                found.fd,
                algorithms=algorithms,
                size_hint=found.status.st_size,
                on_bytes=self._count,
                stop=self._stop,
            )
            shared = row is not None and row.shared
            verification = placing.verification_of_read(digest, found, at, began_ns, shared=shared, kind=self.kind)
        except OSError as error:
            work.unreadable += (f"the file in the store: {error.strerror or error}",)
            return None
        if verification is None:
            work.unreadable += ("the file in the store changed while it was read",)
            return None
        return digest.sha256, digest.size, verification

    def _trusts(self, verification: Verification, found: placing.InPlace) -> bool:
        return unchanged.may_trust(verification, files.fingerprint_of(found.status), self.kind, self._clock())

    # The same bytes under another name

    def _from_within(self, work: Work) -> bool:
        """Give bytes that are in the store already this bundle's name too; False when there are none to rely on."""
        facts = work.facts
        rows = [self.stored[place] for place in self._places.get(facts.sha256, ()) if place != facts.place]
        for bundle in sorted(rows, key=lambda r: (r.shared, r.place)):
            with placing.in_place(self._store.fd, bundle.place) as found:
                if found is not None and (self._link(bundle, found, work) or self._copy(bundle, found, work)):
                    return True
        return False

    def _link(self, row: StoredBundle, found: placing.InPlace, work: Work) -> bool:
        """A second name for the file itself; False for a file that is not ours alone, or where links don't exist."""
        facts = work.facts
        if row.shared:
            return False
        verification = self.verifications.get(row.place)
        algorithms = self._signatures.algorithms(facts)
        if (
            verification is None
            or not self._trusts(verification, found)
            or any(algorithm not in verification.digests for algorithm in algorithms)
        ):
            got = self._read_in_place(found, row, Work(facts), algorithms)
            if got is None or got[0] != facts.sha256:
                return False  # `verify` reports it; here it is only of no use
            verification = got[2]
        if not self._may_place(work, verification.digests, found.fd):
            return True
        try:
            self._second_names(work, row, verification, found)
        except OSError as error:
            if error.errno not in _NO_LINK:
                raise
            return False
        return True

    def _copy(self, row: StoredBundle, found: placing.InPlace, work: Work) -> bool:
        """A copy of the file, hashed on the way; False when its bytes are not the bundle's after all."""
        facts = work.facts
        os.lseek(found.fd, 0, os.SEEK_SET)
        with self._room.temp() as temp:
            digest = copy_fd(
                found.fd,
                temp.fd,
                algorithms=self._signatures.algorithms(facts),
                size_hint=facts.size,
                on_bytes=self._count,
                stop=self._stop,
            )
            if digest.sha256 != facts.sha256:
                return False
            if not self._may_place(work, digest.hexes, temp.fd):
                return True
            status = placing.put(self._store.fd, placing.NewFile(facts, temp, shared=False))
        stored = facts.stored(added_at=self._clock(), added_from=row.place, way_in="copy")
        self._record(stored, placing.verification_of_new(digest, status, stored.added_at, shared=False, kind=self.kind))
        work.ended("same bytes", "copy", row.place, "copied: the store cannot share these bytes by a link")
        return True

    def _second_names(self, first: Work, row: StoredBundle, verification: Verification, found: placing.InPlace) -> None:
        """Link and record the new name, with it those of bundles that wait for the same bytes, in one transaction.

        Each link changes the ctime in the verifications of all older names; these are renewed where only it changed.
        """
        old = files.fingerprint_of(found.status)
        known = [
            (place, self.verifications[place])
            for place in self._places[verification.sha256]
            if place in self.verifications
        ]
        names = {place for place, other in known if (other.fingerprint, other.sha256) == (old, verification.sha256)}
        works = [first, *islice(self._waiting(first), _TOGETHER - 1)]
        now = self._clock()
        rows = {w.facts.place: w.facts.stored(added_at=now, added_from=row.place, way_in="same-bytes") for w in works}
        linked: dict[str, Work] = {}
        renewed: dict[str, Verification] = {}

        def link() -> Mapping[str, Verification]:
            for work in works:
                try:
                    status = placing.put_again(self._store.fd, work.facts, found.fd)
                except OSError:
                    if work is first:
                        raise
                    break  # the rest come in their own turn, and report what is wrong
                linked[work.facts.place] = work
            verified = replace(verification, fingerprint=files.fingerprint_of(status))
            renewed.update(dict.fromkeys({*names, row.place, *linked}, verified))
            return renewed

        self._database.record_linked(list(rows.values()), link)
        self.verifications.update(renewed)
        for place, work in linked.items():
            self._known(rows[place], renewed[place])
            work.ended("same bytes", "same-bytes", row.place)
            if work is not first:
                work.done = True
                self._progress.file(work.facts.name)

    def _waiting(self, first: Work) -> Iterator[Work]:
        """The bundles of the same bytes that need only a link: their name is free, and they have no signature."""
        if self._signatures.concerns(first.facts):
            return
        for work in self._twins.get(first.facts.sha256, ()):
            if work is first or work.done or work.clash is not None or work.facts.place in self.stored:
                continue
            if not self._signatures.concerns(work.facts):
                yield work

    # From a source

    def _jobs(self, planned: Sequence[AddingPlan]) -> Iterator[Job]:
        """What may be fetched ahead: the likeliest file of each bundle that comes from a server.

        Of bundles of the same bytes only the first is fetched: the others are linked.
        """
        for bundle in planned:
            work = self._works[bundle.facts.place]
            first = _first(bundle.offers) if bundle.step is AddingStep.FETCH and not work.done else None
            if first is None or not first[0].host or self._places.get(bundle.facts.sha256):
                continue
            waiting = (twin for twin in self._twins[bundle.facts.sha256] if not twin.done)
            if next(waiting, None) is work and self._signatures.early_ruling(bundle.facts, *first) is None:
                source, offer = first
                fetch = partial(self._bytes_of, source, offer, work, self._signatures.algorithms(work.facts, *first))
                yield Job(bundle.facts.place, offer, source.host, bundle.facts.sha256, fetch)

    def _bytes_of(
        self, source: BundleSource, offer: FileOffer, work: Work, algorithms: Sequence[str], stop: Stop | None
    ) -> Fetched:
        """Fetch one offer's bytes into a temporary file; for any thread. Raises as `BundleSource.fetch`."""
        facts = work.facts
        return source.fetch(
            offer,
            wanted_of(facts),
            self._room,
            limit=too_large(facts) if offer.named else facts.size,
            link=self._way,
            on_bytes=partial(self._count_for, work),
            stop=stop,
            algorithms=algorithms,
        )

    def _fetch(self, planned: AddingPlan, work: Work) -> None:
        work.offers = planned.offers or ask(self._sources, planned.facts)
        first = _first(work.offers)
        work.ruling = self._signatures.early_ruling(work.facts, *first) if first else None
        if work.ruling is not None:
            work.status = "refused"
            return
        for source, found in work.offers:
            for offer in found.every():
                if self._try(source, offer, work):
                    return

    def _try(self, source: BundleSource, offer: FileOffer, work: Work) -> bool:
        """Fetch one offer; True when it settles the bundle."""
        facts = work.facts
        try:
            fetched = self._ahead.result(facts.place, offer)
            if fetched is None:
                algorithms = self._signatures.algorithms(facts, source, offer)
                fetched = self._bytes_of(source, offer, work, algorithms, self._stop)
        except SourceError as error:
            work.unreadable += (error.message,)
            return False
        except TooLong:
            if offer.named:
                self._quarantine(offer, None, work)
            return False
        with ExitStack() as held:
            held.callback(fetched.temp.close)
            right = (fetched.digest.size, fetched.digest.sha256) == (facts.size, facts.sha256)
            if fetched.changed and (not right or fetched.way_in == "hard-link"):
                work.unreadable += (f"{offer.place} changed while it was read",)
                return False
            if not right:
                if offer.named:
                    self._quarantine(offer, fetched, work)
                return False
            if work.clash is None and not self._may_place(work, fetched.digest.hexes, fetched.temp.fd, source, offer):
                return self._refused(offer, fetched, work)
            if work.clash is None:
                self._batch.add(WaitingFile(work, offer, fetched))
                held.pop_all()
            else:  # an older manifest's bytes are there
                self._quarantine(offer, fetched, work)
            return True

    def _refused(self, offer: FileOffer, fetched: Fetched, work: Work) -> bool:
        """Right bytes that may not be used: badly signed ones go to quarantine, and another offer may be better."""
        if work.ruling is None or not work.ruling.bad:
            return True
        self._quarantine(offer, fetched, work)
        where = (
            f"; kept as {work.quarantined[-1].kept}"
            if work.quarantined[-1].kept
            else f"; {work.quarantined[-1].failure}"
        )
        found = (replace(finding, message=finding.message + where) for finding in work.ruling.findings)
        work.badly_signed += tuple(finding for finding in found if finding not in work.badly_signed)
        work.must_be_signed = self._signatures.requires(work.facts)
        work.ruling = None
        return False

    def _quarantine(self, offer: FileOffer, fetched: Fetched | None, work: Work) -> None:
        wrong = quarantine_reason(work.facts, work.ruling, offer, fetched)
        kept, failure = quarantine.keep(
            self._store.fd, self._room, wrong, fetched.temp if fetched else None, self._clock()
        )
        work.quarantined += (QuarantinedFile(wrong, kept, failure),)
        work.status = "quarantined"

    # The store database

    def _record(self, stored: StoredBundle, verification: Verification) -> None:
        self._database.record_stored(stored, verification)
        self._known(stored, verification)

    def _known(self, stored: StoredBundle, verification: Verification) -> None:
        old = self.stored.get(stored.place)
        if old is not None:
            self._places[old.sha256].discard(old.place)
        self.stored[stored.place], self.verifications[stored.place] = stored, verification
        self._places.setdefault(stored.sha256, set()).add(stored.place)

    def _forget(self, place: str) -> None:
        self._database.forget(place)
        row = self.stored.pop(place, None)
        if row is not None:
            self._places[row.sha256].discard(place)
        self.verifications.pop(place, None)


def _first(offers: Sequence[tuple[BundleSource, FoundFile]]) -> tuple[BundleSource, FileOffer] | None:
    return next(((source, offer) for source, found in offers for offer in found.every()), None)
