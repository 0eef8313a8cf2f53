"""Receives a media set: volumes in any order, over several days, into the store with the guarantees of `store add`.

Rules: nothing is trusted before the index's signature is good under the store's own trust list; an older set, another
set with the same number, or volumes of two sets are refused as a whole; what was received is recorded when it is
durable, so that after any end, a stick pulled out or a kill, the next run continues the set; nothing counts as arrived
that was not read here; running it again changes nothing.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError, UnfinishedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.moments import AHEAD
from bundlekeeper.media.receiving import find_volumes as found
from bundlekeeper.media.receiving import plans, signed_texts
from bundlekeeper.media.receiving import progress as arrival
from bundlekeeper.media.receiving.join_parts import Joining, begun_bytes
from bundlekeeper.media.receiving.optional_database import OptionalDatabase
from bundlekeeper.media.receiving.payload import Payload
from bundlekeeper.media.receiving.progress import VolumeRow
from bundlekeeper.media.receiving.source import SetSource
from bundlekeeper.media.set import signer as vouch
from bundlekeeper.media.set import withdrawal_notice
from bundlekeeper.media.set.records import ReceivedSet
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.media.set.withdrawal_notice import Withdrawn
from bundlekeeper.model.lint import but_of_bundles
from bundlekeeper.model.media.index import FilePart, SetFile, SetIndex, read_index
from bundlekeeper.model.progress import Clock, Progress
from bundlekeeper.store.adding import admit_manifest
from bundlekeeper.store.adding.add import AddResult, AddRow, add_bundles, rehearse
from bundlekeeper.store.adding.admit_manifest import AllowReasons
from bundlekeeper.store.adding.plan import shortage_of
from bundlekeeper.store.database.bundle_facts import facts_of
from bundlekeeper.store.database.rows import BundleFacts
from bundlekeeper.store.disk import files, lock, temp_files
from bundlekeeper.store.signatures.voucher import NO_RULING, Ruling, Voucher, digests_of, insist
from bundlekeeper.verification.hashing.read import Stop

if TYPE_CHECKING:
    from bundlekeeper.media.receiving.find_volumes import FoundVolume
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.model.trust import TrustEntry
    from bundlekeeper.store.contents.store import Store


_DAMAGED = frozenset({"altered", "truncated", "extended"})


@dataclass(frozen=True, slots=True)
class Reception:
    """What came of one run of `media receive`.

    `to_come` are the files (or parts) that did not arrive yet, by the number of the volume that holds them; `withdrawn`
    are the withdrawals of its notices; `manifest` the ruling on the set's manifest; `plans` the names
    of its plans here.
    """

    index: SetIndex
    signed_by: str
    signed_key: str
    received: ReceivedSet
    volumes: tuple[VolumeRow, ...]
    rows: tuple[AddRow, ...]
    findings: tuple[Finding, ...]
    to_come: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    refused: bool = False
    dry_run: bool = False
    withdrawn: tuple[Withdrawn, ...] = ()
    manifest: Ruling = NO_RULING
    plans: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        """True when every file of the set arrived and was verified here."""
        return len(self.received.arrived) == len(self.index.files)


def receive(
    store: Store | None,
    folders: Sequence[Path],
    *,
    clock: Clock,
    progress: Progress,
    stop: Stop | None = None,
    wait_s: float = 0.0,
    dry_run: bool = False,
    allow_rollback: str | None = None,
    allow_expired: str | None = None,
) -> Reception:
    """Add what the volumes in these folders have to the store; `store` is None where there is none yet.

    Waits up to `wait_s` seconds for another receive or the store's lock. A dry run changes nothing and reads no bundle.
    Raises RefusedError (an unknown key, an older, contradicting or mixed set), InputError (no volume), and as `store
    add`; what was added before stays.
    """
    looked = found.find_volumes(folders, progress=progress, stop=stop)
    if not looked.volumes:
        unread = not looked.refused and any(problem.code == "unreadable" for problem in looked.findings)
        kind = UnfinishedError if unread else RefusedError
        raise kind("no volume here can be received", problems=looked.findings, hint="get another copy of the volume")
    index, first = found.only_set(looked.volumes)
    with OptionalDatabase(store) as database:
        signer = _signer(store, database, index, first, clock())
        if store is None:
            raise InputError("there is no store to receive into", hint="name one with --store")
        sets = Sets(store)
        volumes = found.numbered(looked.volumes, index)
        texts = [
            each for volume in volumes for each in signed_texts.doubts(volume, index, progress=progress, stop=stop)
        ]
        with sets.receiving(wait_s=wait_s, stop=stop) if not dry_run else ExitStack():
            begun = _begun(sets, index, first.index, clock(), allow_rollback)
            begun = replace(begun, signed_by=signer.name, signed_key=signer.fingerprint)
            work = _Work(store, database, sets, index, Payload(index, volumes), begun, clock, progress, stop)
            work.findings += [*looked.findings, *texts]
            reason = allow_rollback
            if reason is None and _overtaken_by_notices(sets, index):
                reason = f"receiving set {index.name} began before the withdrawals that were received since"
            reasons = AllowReasons(allow_expired, reason)
            work.findings += _doubts(sets, index, begun, clock())
            loaded, signature = work.manifest(reasons)  # where it is refused, nothing is recorded or joined
            if not dry_run:
                sets.receive(begun, first.index, first.signature)
                if begun.rollback:
                    _record_exception(store, index, begun)
            result = work.run(loaded, signature, reasons, wait_s, dry_run=dry_run)
    return replace(result, signed_by=signer.name, signed_key=signer.fingerprint, refused=looked.refused)


def _signer(
    store: Store | None, database: OptionalDatabase, index: SetIndex, first: FoundVolume, now: datetime
) -> TrustEntry:
    """The entry of the trust list under which the set's index is good. Raises as `signer.require_trusted`."""
    return vouch.require_trusted(
        store,
        digests_of(first.index),
        first.signature,
        purpose="indexes",
        made=index.made,
        now=now,
        where=str(first.root / found.INDEX),
        admitted=database.admitted_if_readable(),
    )


def _begun(sets: Sets, index: SetIndex, data: bytes, now: datetime, reason: str | None) -> ReceivedSet:
    """The record of the set, new or from before. Raises RefusedError for a set that may not be received, InputError."""
    if reason is not None and not reason.strip():
        raise InputError("--allow-rollback needs a reason", hint='--allow-rollback "REASON"; it is recorded for good')
    digest = hashlib.sha256(data).hexdigest()
    known = sets.known(index.issuer)
    for number, set_id in known:
        if number == index.sequence and set_id != index.set_id:
            raise RefusedError(
                f"another set with this number was received before: {set_id}",
                hint="ask the set's maker which of the two is theirs",
                where=f"{index.name} ({index.set_id})",
            )
    before = next((received for received in sets.received(index.issuer) if received.set_id == index.set_id), None)
    if before is not None and (before.sequence, before.index) != (index.sequence, digest):
        raise RefusedError(
            "the volumes of this set that were received before have another index",
            hint="ask the set's maker for the SHA-256 of theirs; the index kept here is that of the first volume",
            where=f"{index.name} ({index.set_id})",
        )
    highest = max((number for number, _ in known), default=0)
    rollback = before.rollback if before is not None else ""
    if index.sequence < highest and not rollback and (reason is not None or not _overtaken_by_notices(sets, index)):
        if reason is None:
            raise RefusedError(
                f"this set (number {index.sequence}) is older than one of the same maker received before ({highest})",
                hint='receive the newer one; to go back on purpose: --allow-rollback "REASON" (it is recorded)',
                where=f"{index.name} ({index.set_id})",
            )
        rollback = reason
    if before is not None:
        return replace(before, rollback=rollback)
    return ReceivedSet(index.set_id, index.sequence, index.issuer, digest, now, rollback=rollback)


def _overtaken_by_notices(sets: Sets, index: SetIndex) -> bool:
    """True when receiving the set began before, and all sets of its issuer since are sets of withdrawals alone.

    Such a set may be continued: what was withdrawn stays withdrawn (`store.contents.withdrawals`). Raises as `Sets`
    does.
    """
    every = sets.received(index.issuer)
    own = next((received for received in every if received.set_id == index.set_id), None)
    newer = [received for received in every if received.sequence > index.sequence]
    if own is None or {number for number, _ in sets.known(index.issuer) if number > index.sequence} != {
        received.sequence for received in newer
    }:
        return False
    kept = [sets.received_index(received) for received in newer]
    return bool(newer) and all(
        index_of is not None
        and received.began >= own.began
        and all(file.role != "bundle" for file in read_index(index_of[0]).files)
        for received, index_of in zip(newer, kept, strict=True)
    )


class _Work:
    """One run over the volumes of one set."""

    def __init__(
        self,
        store: Store,
        database: OptionalDatabase,
        sets: Sets,
        index: SetIndex,
        payload: Payload,
        received: ReceivedSet,
        clock: Clock,
        progress: Progress,
        stop: Stop | None,
    ) -> None:
        self._store, self._database, self._sets, self._index, self._payload = store, database, sets, index, payload
        self._received, self._clock, self._progress, self._stop = received, clock, progress, stop
        self.findings: list[Finding] = []
        self._withdrawn: tuple[Withdrawn, ...] = ()
        self._plans: tuple[str, ...] = ()

    def run(
        self, loaded: Loaded, signature: bytes | None, reasons: AllowReasons, wait_s: float, *, dry_run: bool
    ) -> Reception:
        """Join what is split, add what is whole, record what arrived."""
        facts = self._facts(loaded)
        self._notices(loaded)
        with ExitStack() as stack:
            joining = self._joining(stack, facts, wait_s, dry_run=dry_run)
            self._stop_soon()
            source = SetSource(self._index, self._payload, joining, self._kept, self._received.parts)
            if dry_run:
                opened = self._database.verified()
                result = rehearse(self._store, loaded, [source], self._clock(), reasons, "none", signature, opened)
            else:
                result = add_bundles(
                    self._store,
                    loaded,
                    [source],
                    clock=self._clock,
                    progress=self._progress,
                    stop=self._stop,
                    wait_s=wait_s,
                    allow_expired=reasons.expired,
                    allow_rollback=reasons.rollback,
                    signature=signature,
                )
        self.findings += but_of_bundles(loaded.problems)
        if joining is not None:
            self.findings += joining.findings
        if not dry_run:
            self._arrive(result, facts)
            self._plans = plans.keep_plans(self._store, self._index, self._small, self.findings)
        return self._reception(result, facts, dry_run=dry_run)

    def _stop_soon(self) -> None:
        if self._stop is not None:
            self._stop.check()

    # The manifest, which is checked first

    def manifest(self, reasons: AllowReasons) -> tuple[Loaded, bytes | None]:
        """The set's manifest and its signature, both checked as `store add` will check them.

        Raises RefusedError, InputError when it can't be read.
        """
        from bundlekeeper.model.lint.read_manifest import read

        each = next(
            (file for file in self._index.files if file.role == "manifest" and file.sha256 == self._index.manifest),
            None,
        )
        if each is None:
            raise RefusedError("the set's index names no manifest", hint="ask its maker for another set")
        data = self._small(each)
        if data is None:
            raise RefusedError(
                f"the manifest {each.path} is not on these volumes, or not as the set's index names it",
                hint="get another copy of a volume: each has the manifest",
            )
        beside = next((file for file in self._index.files if file.role == "manifest-signature"), None)
        signature = self._small(beside) if beside is not None else None
        loaded = read(data, name=each.path, today=self._clock().date())
        voucher = Voucher.of(self._store, self._clock(), self._database.admitted_if_readable())
        ruling = voucher.rule_manifest(each.path, data, signature, issued=loaded.manifest.issued)
        insist(ruling, each.path)
        admit_manifest.judge(loaded, self._database.admitted(), self._clock(), reasons)
        return loaded, signature

    def _small(self, each: SetFile) -> bytes | None:
        data = self._payload.small(each)
        return data if data is not None else self._kept(each)

    def _kept(self, each: SetFile) -> bytes | None:
        """A small file that came on an earlier day."""
        return self._sets.kept(self._received, each.sha256)

    def _facts(self, loaded: Loaded) -> dict[str, BundleFacts]:
        """The manifest's bundle for each bundle of the set, by path; a bundle that the manifest lacks is reported."""
        named = {(bundle.name, bundle.sha256): bundle for bundle in facts_of(loaded.manifest)}
        found: dict[str, BundleFacts] = {}
        for file in self._index.files:
            if file.role != "bundle":
                continue
            facts = named.get((file.path.rpartition("/")[2], file.sha256))
            if facts is None:
                message = "the set has it, but its manifest does not name it: it was not added"
                self.findings.append(finding("extra", file.path, message))
            else:
                found[file.path] = facts
        return found

    def _notices(self, loaded: Loaded) -> None:
        """Read the set's notices; one that differs from the set's manifest is reported and does not count."""
        for file in self._index.files:
            data = self._small(file) if file.role == withdrawal_notice.ROLE else None
            if data is not None:
                try:
                    self._withdrawn += withdrawal_notice.read_notice(data, loaded.manifest, file.path)
                except InputError as error:
                    self.findings.append(finding("bad-volume", file.path, error.message, error.hint))

    # Split files

    def _joining(
        self, stack: ExitStack, facts: Mapping[str, BundleFacts], wait_s: float, *, dry_run: bool
    ) -> Joining | None:
        """Copy the parts that are here; None in a dry run."""
        stored = self._stored_places()
        needed = [file for file in self._index.files if file.path in facts and facts[file.path].place not in stored]
        self._insist_on_space(needed)
        if dry_run:
            return None
        with files.wrapped("the store failed", str(self._store.root)):
            incoming = stack.enter_context(temp_files.opened(self._store.fd))
        joining = Joining(self._store.fd, incoming, self._received.parts, self._save_parts)
        stack.callback(joining.close)
        split = [file for file in needed if file.split]
        if split:
            with lock.held(
                self._store.fd,
                "media receive",
                clock=self._clock,
                wait_s=wait_s,
                stop=self._stop,
                where=str(self._store.root),
            ):
                joining.gather(split, self._payload, clock=self._clock, progress=self._progress, stop=self._stop)
        return joining

    def _save_parts(self, parts: Mapping[str, datetime]) -> None:
        self._received = replace(self._received, parts=dict(parts))
        self._sets.update(self._received)

    def _stored_places(self) -> set[str]:
        """The places in the store where the database has a bundle and the file has the right size."""
        stored = set()
        for bundle in self._database.stored():
            try:
                if os.stat(bundle.place, dir_fd=self._store.fd, follow_symlinks=False).st_size == bundle.size:
                    stored.add(bundle.place)
            except OSError:
                continue
        return stored

    def _insist_on_space(self, needed: Sequence[SetFile]) -> None:
        """Raise UnfinishedError when what is here does not fit, before the first byte is copied."""
        need = 0
        for file in needed:
            here = [part for part in file.parts if self._payload.all_for(part)]
            if file.split and here:
                # A file being joined takes as much space as was written of it; a part may leave a hole before it.
                got = {p.path for p in file.parts if p.path in self._received.parts}
                need += sum(part.size for part in here if part.path not in got or not begun_bytes(self._store.fd, file))
            elif here:
                need += file.size
        lacks = shortage_of(self._store.fd, need)
        if lacks:
            where = str(self._store.root)
            raise UnfinishedError(lacks, hint="free some space and receive again; nothing was copied", where=where)

    # What arrived

    def _arrive(self, result: AddResult, facts: Mapping[str, BundleFacts]) -> None:
        """Record what was received: bundles that are in the store, and small files that were verified."""

        def keep(each: SetFile, data: bytes) -> None:
            if not each.common:  # those come again with every volume
                self._sets.keep_small(self._received, each.sha256, data)

        verified_at = {place: verification.verified_at for place, verification in result.verifications.items()}
        self._received = arrival.updated_record(
            self._index,
            self._received,
            facts,
            arrival.AddedByPlace({row.place: row for row in result.rows}, verified_at),
            self._payload,
            begun=lambda each: begun_bytes(self._store.fd, each),
            keep=keep,
            now=self._clock(),
        )
        self._sets.update(self._received)

    # What is reported

    def _reception(self, result: AddResult, facts: Mapping[str, BundleFacts], *, dry_run: bool) -> Reception:
        ours = {bundle.place for bundle in facts.values()}
        rows = tuple(row for row in result.rows if row.place in ours and row.status != "missing")
        findings = self._set_findings(result, {bundle.name for bundle in facts.values()})
        places = {row.place for row in rows} if dry_run else set()
        in_now = {path for path, each in facts.items() if each.place in places}
        to_come: dict[int, list[str]] = {}
        subjects = {finding.subject for finding in findings}
        for file in self._index.files:
            for part in self._open(file, in_now):
                if dry_run and self._payload.all_for(part):
                    continue  # it would come
                if self._payload.came(part):
                    findings += arrival.why_missing(part, self._payload, subjects)
                to_come.setdefault(part.volume, []).append(part.path)
        return Reception(
            index=self._index,
            signed_by="",
            signed_key="",
            received=self._received,
            volumes=tuple(arrival.volume_rows(self._index, self._received, self._payload)),
            rows=rows,
            findings=tuple(findings),
            to_come={number: tuple(paths) for number, paths in sorted(to_come.items())},
            dry_run=dry_run,
            withdrawn=self._withdrawn,
            plans=self._plans,
            manifest=result.manifest,
        )

    def _set_findings(self, result: AddResult, names: set[str]) -> list[Finding]:
        """The findings about the set's bundles, of these `names`, and about withdrawn ones in the store."""
        hints = {
            part.path.rpartition("/")[2]: f"copy the whole of volume {part.volume} again, or get another copy of it"
            for file in self._index.files
            if not file.split
            for part in file.parts
        }
        every = {row.name for row in result.rows}
        stored = {row.name for row in result.rows if row.status in arrival.IN}
        added = [
            f
            for f in result.findings
            if f.code != "missing"
            and (f.subject in names or f.subject not in every or (f.code == "withdrawn" and f.subject in stored))
        ]
        added = [replace(f, hint=hints.get(f.subject, f.hint)) if f.code in _DAMAGED else f for f in added]
        found = [*self.findings, *arrival.small_damage(self._index, self._payload), *added]
        return arrival.without_renamed(found, self._payload.volumes, self._payload)

    def _open(self, each: SetFile, in_now: set[str]) -> Iterator[FilePart]:
        """The parts of a file that did not arrive; a common file counts once, where it is not among these volumes."""
        if each.path in self._received.arrived or each.path in in_now:
            return
        if each.common:
            if self._payload.small(each) is None:
                yield next((part for part in each.parts if self._payload.came(part)), each.parts[0])
            return
        yield from (part for part in each.parts if part.path not in self._received.parts)


def _doubts(sets: Sets, index: SetIndex, begun: ReceivedSet, now: datetime) -> Iterator[Finding]:
    """What is unusual about who signed the set and when, although the signature is good."""
    every = [received for received in sets.received(index.issuer) if received.signed_key]
    before = [received for received in every if received.sequence < index.sequence]
    if before and begun.signed_key not in {received.signed_key for received in every}:
        last = before[-1]
        message = f"signed by {begun.signed_by}; the maker's set before it, number {last.sequence}, by {last.signed_by}"
        yield finding(
            "not-checked", index.name, message, "the key is new for this maker: ask them whether that is right"
        )
    if index.made > now + AHEAD:
        message = f"the set says that it was made on {index.made:%Y-%m-%d}; this machine's clock says {now:%Y-%m-%d}"
        yield finding("clock-doubtful", index.name, message, "set the clock that is wrong")


def _record_exception(store: Store, index: SetIndex, begun: ReceivedSet) -> None:
    """Record for good, once, that an older set was allowed."""
    subject = f"set {index.name} ({index.set_id})"
    with store.database(write=True) as database:
        if all((what, about) != ("rollback", subject) for _, what, about, _ in database.exceptions()):
            database.record_exception(begun.began, "rollback", subject, begun.rollback)
