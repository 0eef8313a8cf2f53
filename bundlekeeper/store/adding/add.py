"""Adding a manifest's bundles to the store: one read each, nothing in place that was not verified.

Rules: a bundle that is in the store and verified is not read again; every other bundle is hashed while it is copied; a
bundle gets its row only after its file, its name and its folder are on the disk; several files are fetched from servers
at a time, and everything else is done for one bundle after the other, in the manifest's order; a file that does not
match goes to quarantine and the rest goes on; a failure of a source is a finding; a failure of the store ends the work,
and the bundles that were added stay.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, KeeperError, errors_include
from bundlekeeper.findings import Finding, finding
from bundlekeeper.model.progress import Clock, Progress
from bundlekeeper.store.adding import admit_manifest, plan
from bundlekeeper.store.adding.outcome import AddRow, row_of
from bundlekeeper.store.adding.signatures import BundleSignatures
from bundlekeeper.store.adding.sources import BundleSource, Link
from bundlekeeper.store.adding.work import AddingRun
from bundlekeeper.store.contents import findings as verdicts
from bundlekeeper.store.contents.repair import consulted, repaired
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.contents.withdrawals import overlaid
from bundlekeeper.store.database import kept_manifests
from bundlekeeper.store.database.bundle_facts import facts_of, insist_on_names
from bundlekeeper.store.database.rows import Admitted, BundleFacts, StoredBundle, Verification
from bundlekeeper.store.disk import files, lock, temp_files
from bundlekeeper.store.disk.filesystem import UNKNOWN, describe_fd
from bundlekeeper.store.signatures.voucher import NO_RULING, Ruling, Voucher, insist
from bundlekeeper.verification.hashing.read import Stop

if TYPE_CHECKING:
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.store.database.store_database import StoreDatabase


_TO_BRING = {plan.AddingStep.FETCH, plan.AddingStep.LINK}


@dataclass(frozen=True, slots=True)
class AddResult:
    """The result of adding: a row for each bundle in the manifest's order, the findings, and who signed the manifest.

    `verifications` are those that the store has now, by place; a dry run gives none.
    """

    rows: tuple[AddRow, ...]
    findings: tuple[Finding, ...]
    dry_run: bool = False
    manifest: Ruling = NO_RULING
    verifications: Mapping[str, Verification] = field(default_factory=dict)

    @property
    def counts(self) -> dict[str, int]:
        """How many bundles have each status."""
        return dict(Counter(row.status for row in self.rows))

    @property
    def read_bytes(self) -> int:
        """Bytes that were read, from sources and in the store."""
        return sum(row.read_bytes for row in self.rows)


def add_bundles(
    store: Store | None,
    loaded: Loaded,
    sources: Sequence[BundleSource],
    *,
    clock: Clock,
    progress: Progress,
    link: Link = "none",
    stop: Stop | None = None,
    wait_s: float = 0.0,
    dry_run: bool = False,
    allow_expired: str | None = None,
    allow_rollback: str | None = None,
    signature: bytes | None = None,
) -> AddResult:
    """Add the manifest's bundles from the sources (tried in their order) to the store.

    `signature` is the manifest's own; `wait_s` is how many seconds to wait for the lock; a dry run may have no `store`.
    Raises RefusedError (manifest, signature, store), InputError (no such source, store.toml), LockedError,
    DamagedError, UnfinishedError (no space, I/O), StoppedError with its findings; bundles that were added stay.
    """
    reasons = admit_manifest.AllowReasons(allow_expired, allow_rollback)
    insist_on_names(loaded.manifest)  # before anything is touched
    if dry_run:
        with _closing(sources):
            return rehearse(store, loaded, sources, clock(), reasons, link, signature)
    if store is None:
        raise InputError("there is no store to add to", hint="name one with --store")
    _vouched(store, clock(), _known(store), loaded, signature)  # a refused one waits for nothing and leaves no trace
    where = str(store.root)
    with (
        _closing(sources),
        lock.held(store.fd, "store add", clock=clock, wait_s=wait_s, stop=stop, where=where),
        files.wrapped("the store failed", where),
        temp_files.opened(store.fd) as room,
        repaired(store, clock, but=loaded.sha256) as (database, damage),
        errors_include(damage),
    ):
        known = database.admitted()
        voucher, ruling = _vouched(store, clock(), known, loaded, signature)
        loaded, unknown = overlaid(store.fd, loaded, known)
        facts = facts_of(loaded.manifest)
        room.sweep(but=frozenset(bundle.sha256 for bundle in facts))
        admitted = _judged(store, loaded, known, clock(), reasons, ruling)
        signatures = BundleSignatures(voucher, store.fd, room, sources)
        run = AddingRun(
            store, room, database, sources, clock=clock, progress=progress, link=link, stop=stop, signatures=signatures
        )
        contents = plan.SourceContents(run.stored, run.verifications, run.kind, clock())
        exposed = _insist_on_rights(store, run.stored, facts)
        steps = plan.known_steps(store.fd, contents, facts)
        unseen = plan.survey(sources, facts, steps)
        planned = plan.plan(contents, facts, steps, sources)
        plan.insist_on_space(store.fd, planned, link, where)
        healed = admit_manifest.admit(store.fd, room, database, admitted, loaded.data, facts, signature)
        run.stored.update({bundle.place: bundle for bundle in database.stored()})  # with this manifest's facts
        with _reported(progress, run, planned, unseen):
            run.run(planned)
        found = (*damage, *admitted.findings, *unknown, *exposed, *healed, *run.findings(unseen))
        return AddResult(run.rows(), (*found, *voucher.troubles()), manifest=ruling, verifications=run.verifications)


def _insist_on_rights(
    store: Store | None, stored: Mapping[str, StoredBundle], facts: Sequence[BundleFacts]
) -> list[Finding]:
    """Insist that nobody else may write the files at the bundles' places; returns the findings of shared files."""
    if store is None:
        return []
    shared = {bundle.place: bundle.place in stored and stored[bundle.place].shared for bundle in facts}
    return list(store.rights.insist_on_bundles(shared).values())


def _closing(sources: Sequence[BundleSource]) -> ExitStack:
    """Close every source at the end of the block."""
    closing = ExitStack()
    for source in sources:
        closing.callback(source.close)
    return closing


def _known(store: Store) -> Sequence[Admitted]:
    """The admitted manifests, as far as they can be read now; damage is reported later, under the lock."""
    if store.database_path.exists():
        with suppress(KeeperError), store.database(write=False) as database:
            return database.admitted()
    return ()


def _vouched(
    store: Store | None, now: datetime, known: Sequence[Admitted], loaded: Loaded, signature: bytes | None
) -> tuple[Voucher, Ruling]:
    """The voucher, and its ruling on the manifest's signature. Raises RefusedError where it may not be used."""
    voucher = Voucher.of(store, now, known)
    subject = f"{loaded.manifest.platform}, sequence {loaded.manifest.sequence}"
    ruling = voucher.rule_manifest(subject, loaded.data, signature, issued=loaded.manifest.issued)
    insist(ruling, subject)
    return voucher, ruling


def _judged(
    store: Store | None,
    loaded: Loaded,
    known: Sequence[Admitted],
    now: datetime,
    reasons: admit_manifest.AllowReasons,
    ruling: Ruling,
) -> admit_manifest.Admission:
    """The admission of the manifest; a kept manifest without a row counts too. Raises as `admit_manifest.judge`."""
    floor = kept_manifests.highest(store.fd, loaded.manifest.platform) if store is not None else -1
    return admit_manifest.vouched(admit_manifest.judge(loaded, known, now, reasons, floor), ruling)


def rehearse(
    store: Store | None,
    loaded: Loaded,
    sources: Sequence[BundleSource],
    now: datetime,
    reasons: admit_manifest.AllowReasons,
    link: Link,
    signature: bytes | None,
    opened: StoreDatabase | None = None,
) -> AddResult:
    """A dry run: the same judgement and the same plan as in `store add`, and nothing else; the sources stay open.

    `opened` is the store database where it is open, verified and has a row of every kept manifest. Raises as `store
    add`.
    """
    with files.wrapped("the store cannot be looked at", str(store.root) if store else ""):
        contents, known = plan.SourceContents({}, {}, UNKNOWN, now), []
        damage: list[Finding] = []
        if store is not None and (opened is not None or store.database_path.exists()):
            with consulted(store) if opened is None else nullcontext((opened, damage)) as (database, damage):
                stored = {bundle.place: bundle for bundle in database.stored()}
                contents = plan.SourceContents(stored, database.verifications(), describe_fd(store.fd), now)
                known = database.admitted()
        voucher, ruling = _vouched(store, now, known, loaded, signature)
        loaded, unknown = overlaid(store.fd, loaded, known) if store else (loaded, ())
        facts = facts_of(loaded.manifest)
        admitted = _judged(store, loaded, known, now, reasons, ruling)
        exposed = _insist_on_rights(store, contents.stored, facts)
        steps = plan.known_steps(store.fd if store else None, contents, facts)
        unseen = plan.survey(sources, facts, steps)
        planned = plan.plan(contents, facts, steps, sources)
        short = plan.shortage(store.fd, planned, link) if store else ""
    no_space = [finding("not-enough-space", str(store.root), short)] if store and short else []
    signatures = BundleSignatures(voucher, store.fd if store else None, None, sources)
    rulings: dict[str, Ruling | None] = {}
    for bundle in planned:
        if bundle.step in _TO_BRING:
            rulings[bundle.facts.place] = signatures.early_ruling(bundle.facts)
            signatures.forget(bundle.facts)
    findings = [*damage, *admitted.findings, *unknown, *exposed, *no_space]
    for bundle in planned:
        early = rulings.get(bundle.facts.place)
        findings += [*_dry_run_findings(bundle, contents, unseen), *(early.findings if early else ())]
    rows = tuple(_dry_run_row(bundle, rulings.get(bundle.facts.place)) for bundle in planned)
    return AddResult(rows, (*findings, *voucher.troubles()), dry_run=True, manifest=ruling)


def _dry_run_row(planned: plan.AddingPlan, ruling: Ruling | None) -> AddRow:
    status = "refused" if ruling else planned.step.value
    return row_of(planned.facts, status, came_from=_first_offer(planned), signature=ruling.word if ruling else "")


def _dry_run_findings(
    planned: plan.AddingPlan, contents: plan.SourceContents, unseen: Sequence[str]
) -> Iterator[Finding]:
    facts = planned.facts
    if planned.step is plan.AddingStep.MISS:
        obstacles = [sentence for _, found in planned.offers for sentence in found.obstacles]
        passed = verdicts.of_passed(sum(found.passed for _, found in planned.offers))
        yield verdicts.of_miss(facts, [*obstacles, *passed], [source.place for source, _ in planned.offers], unseen)
    elif planned.step is plan.AddingStep.TRY:
        yield verdicts.of_try(facts, sum(found.others for _, found in planned.offers))
    elif planned.step is plan.AddingStep.CLASH:
        yield verdicts.of_clash(facts, contents.stored[facts.place], "")
    yield from verdicts.of_facts(facts)


def _first_offer(planned: plan.AddingPlan) -> str:
    if planned.step is not plan.AddingStep.FETCH:
        return ""
    return next((offer.place for _, found in planned.offers for offer in found.offers), "")


@contextmanager
def _reported(
    progress: Progress, run: AddingRun, planned: Sequence[plan.AddingPlan], unseen: Sequence[str]
) -> Iterator[None]:
    """Report progress; an error that ends the block also reports what was found and done before it."""
    progress.begin("adding", plan.bytes_to_read(planned), len(planned))
    try:
        yield
    except KeeperError as error:
        error.problems = (*error.problems, *run.findings(unseen))
        done = sum(row.status in {"added", "same bytes"} for row in run.rows())
        if done:
            before = f"{done} of {len(planned)} bundles were added before this, and stay"
            error.hint = f"{error.hint}; {before}" if error.hint else before
        raise
    finally:
        progress.done()


__all__ = ["AddResult", "AddRow", "add_bundles", "rehearse"]
