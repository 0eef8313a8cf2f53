"""Verifying the store, or any folder, against a manifest.

Rules: a folder can be verified against a manifest without any store; everything else needs one; where the store can be
written, what is verified is recorded there, and where it cannot, a note reports it.
"""

from __future__ import annotations

import os
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Level, finding
from bundlekeeper.formats.escape import shell_word
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.manifest_signature import GivenManifest, rule_on
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.verify_result import Status

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from bundlekeeper.findings import Finding
    from bundlekeeper.model.stop import Stop
    from bundlekeeper.model.verify_result import VerifyResult
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import Admitted, StoredBundle
    from bundlekeeper.store.database.store_database import StoreDatabase
    from bundlekeeper.store.signatures.voucher import Ruling, Voucher
    from bundlekeeper.store.verifying.expected import Listing
    from bundlekeeper.store.verifying.verify import CheckMeans


@dataclass(frozen=True, slots=True)
class VerifyOptions:
    """What is verified (`at`: a folder, None for the store) and what is read of it; see `store.verifying.read`."""

    at: Path | None = None
    quick: bool = False
    older_than_s: float | None = None
    max_time_s: float | None = None
    workers: int | None = None


@dataclass(frozen=True, slots=True)
class VerifiedStore:
    """The result; `subject` is the folder, `findings` has those about the manifest as well."""

    subject: str
    result: VerifyResult
    findings: list[Finding]
    manifest_signature: Ruling


def verify_store(session: Session, given: GivenManifest | None, options: VerifyOptions, stop: Stop) -> VerifiedStore:
    """Verify the folder or the store against the given manifest; None for those that the store admitted.

    Raises InputError when there is nothing to verify or the manifest has errors, RefusedError for a signature that is
    not good or a store that cannot be trusted; DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.jobs.store.absent import carried, kept_manifest
    from bundlekeeper.store.contents.manifest_dates import doubts, latest
    from bundlekeeper.store.contents.right_now import way_back
    from bundlekeeper.store.signatures.voucher import NO_RULING, Voucher
    from bundlekeeper.store.verifying.expected import read_listing
    from bundlekeeper.store.verifying.verify import ReadingLimits, check_folder, check_store

    at = options.at
    with ExitStack() as stack:
        store, database = None, None
        found: list[Finding] = []
        out: Mapping[tuple[str, str], str] = {}
        if at is None or given is None or session.is_there:
            store, database, found, out = _opened(session, stack)
            if not session.write and at is None:
                session.tell("note: the store cannot be written here: what is verified now is not recorded")
        admitted = database.admitted() if database is not None else []
        voucher = Voucher.of(store, session.now(), admitted)
        listing, ruling = None, NO_RULING
        if given is not None:
            listing = read_listing(given.data, name=given.name, today=session.today(), store=store)
            ruling = rule_on(voucher, given.name, given.data, given.signature, listing.issued)
        elif store is not None:
            listing = _kept(store, admitted) if at is not None else None
            ruling = voucher.rule_kept(store.fd, admitted[-1]) if admitted else NO_RULING
        subject = listing.subject if listing is not None else str(session.root)
        issued = listing.issued if listing is not None else None
        found += listing.problems if listing is not None else ()
        found += [*ruling.findings, *doubts(subject, admitted, session.now(), issued)]
        limits = ReadingLimits(options.quick, options.older_than_s, options.max_time_s, options.workers)
        means = _means(session, stop, voucher, out, latest(admitted, session.now()).date())
        if at is not None and listing is not None:
            own = [data for data in (given.data, given.signature) if data is not None] if given is not None else []
            result = check_folder(at, listing, means, limits, known=database, own=own)
        elif store is not None and database is not None and at is None:
            came = carried(store, admitted) if listing is None else None
            rows = {row.place: row for row in database.stored()}  # of a file that is moved to quarantine, none is left
            result = check_store(store, database, listing, means, limits, carried=came)
            manifest = kept_manifest(store, admitted)
            if not (admitted or result.rows):
                message = "there is no manifest and no bundle in the store: nothing was verified"
                result.findings.append(finding("not-checked", str(store.root), message, way_back(None, manifest)))
            result.findings[:] = [_with_way_back(problem, rows, manifest) for problem in result.findings]
        else:
            raise InputError("there is nothing to verify", hint="name a manifest, or a store that has admitted one")
        if at is not None and store is not None and database is not None:
            copies = _good_copies(session, store, database, result)
            result.findings[:] = [_with_copy(problem, copies, at) for problem in result.findings]
    result.findings[:] = session.judged(result.findings)
    return VerifiedStore(str(at or session.root), result, [*session.judged(found), *result.findings], ruling)


_TO_COPY = frozenset({Status.ALTERED, Status.TRUNCATED, Status.EXTENDED, Status.MISSING})


def _good_copies(
    session: Session, store: Store, database: StoreDatabase, result: VerifyResult
) -> dict[str, tuple[str, str]]:
    """By what a finding names, of each file that is wrong or missing: where its good copy is, and its own place.

    A good copy is one of this store that was verified and not touched since.
    """
    from bundlekeeper.store.contents.right_now import holdings

    wrong = [row for row in result.rows if row.status in _TO_COPY]
    if not wrong:
        return {}
    rows = holdings(store, database, session.now())
    good = {row.stored.sha256: str(store.root / row.stored.place) for row in rows if row.state == "verified"}
    return {row.place or row.name: (good[row.expected], row.place) for row in wrong if row.expected in good}


def _with_copy(problem: Finding, copies: Mapping[str, tuple[str, str]], at: Path) -> Finding:
    """The finding with the command that brings a good copy."""
    if problem.subject not in copies or problem.code not in _TO_COPY:
        return problem
    source, place = copies[problem.subject]
    command = f"cp {shell_word(source)} {shell_word(str(at / place))}"
    return replace(problem, hint=f"{problem.hint}; a good copy is in the store: {command}")


def _with_way_back(problem: Finding, rows: Mapping[str, StoredBundle], manifest: str) -> Finding:
    """The finding on a file of the store with the command that brings it back."""
    from bundlekeeper.store.contents.right_now import way_back

    if problem.code not in _TO_COPY or problem.level is not Level.ERROR:
        return problem
    return replace(problem, hint=way_back(rows.get(problem.subject), manifest))


def _opened(
    session: Session, stack: ExitStack
) -> tuple[Store, StoreDatabase, list[Finding], Mapping[tuple[str, str], str]]:
    """The store and its database, for writing where that is possible; its damage; and what was removed."""
    from bundlekeeper.jobs.store.removed import settled
    from bundlekeeper.store.contents.repair import repaired

    session.write = os.access(session.root / ".keeper", os.W_OK, effective_ids=True)
    removed, of_ledger = settled(session)
    out = {key: removal.text() for key, removal in removed.items()}
    store = session.store
    if session.write:
        database, damage = stack.enter_context(repaired(store, session.now, lock_for="verify"))
    else:
        database, damage = session.consulted
    return store, database, [*damage, *of_ledger], out


def _kept(store: Store, admitted: Sequence[Admitted]) -> Listing | None:
    """The listing of the manifest in force. Raises RefusedError where its kept copy cannot be relied on."""
    from bundlekeeper.store.verifying.expected import kept

    listing, found = kept(store, admitted)
    if found:
        message = "the kept manifest cannot be relied on, so there is nothing to verify the folder against"
        raise RefusedError(message, hint="name the manifest", problems=found)
    return listing


def _means(
    session: Session, stop: Stop, voucher: Voucher, out: Mapping[tuple[str, str], str], latest: date
) -> CheckMeans:
    """The means of `verify`; a clock that is set back must not make an expired manifest look good."""
    from bundlekeeper.store.verifying.verify import CheckMeans

    return CheckMeans(
        clock=session.now,
        progress=session.caller.progress,
        stop=stop,
        record=session.write,
        max_age_s=voucher.max_verification_age_s or session.config.max_verification_age_s,
        today=max(session.today(), latest),
        voucher=voucher,
        removed=out,
    )
