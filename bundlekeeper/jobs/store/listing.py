"""What is in the store, by family, with the manifests that it admitted and the findings on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import DamagedError, InputError, VersionError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.vocabulary import FAMILIES

if TYPE_CHECKING:
    from bundlekeeper.jobs.store.needs import Needs
    from bundlekeeper.jobs.store.removed import Removed
    from bundlekeeper.ledger.ask.removals import BundleRemoval
    from bundlekeeper.model.acceptance import Acceptance
    from bundlekeeper.store.contents.quarantine import QuarantinedBytes
    from bundlekeeper.store.contents.right_now import Holding
    from bundlekeeper.store.database.rows import Admitted
    from bundlekeeper.store.verifying.expected import ExpectedFile


@dataclass(frozen=True, slots=True)
class StoreList:
    """The bundles, the manifests in the order of admission, and the exceptions: when, what, subject, reason.

    `quarantine` is what is there by its notes; `accepted` are the entries of store.toml, ended ones too; `removed` was
    taken out of the store; `absent` is named by the manifest in force, and no row is left; `needs` says by place why a
    bundle is needed.
    """

    root: Path
    bundles: list[Holding]
    manifests: list[Admitted]
    exceptions: list[tuple[datetime, str, str, str]]
    findings: list[Finding]
    quarantine: list[QuarantinedBytes] = field(default_factory=list)
    accepted: tuple[Acceptance, ...] = ()
    removed: Sequence[BundleRemoval] = ()
    absent: Sequence[ExpectedFile] = ()
    needs: Needs = field(default_factory=dict)

    @property
    def unneeded(self) -> StoreList:
        """The same with only the bundles that nothing known here needs, and the findings on them."""
        rows = [bundle for bundle in self.bundles if not self.needs.get(bundle.stored.place)]
        others = {bundle.stored.name for bundle in self.bundles} - {bundle.stored.name for bundle in rows}
        return replace(self, bundles=rows, findings=[found for found in self.findings if found.subject not in others])

    @property
    def good_copies(self) -> dict[str, str]:
        """The place of a verified bundle by its SHA-256."""
        return {bundle.stored.sha256: bundle.stored.place for bundle in self.bundles if bundle.state == "verified"}

    @property
    def counts(self) -> dict[str, int]:
        """How many bundles are there, how many of them verified and not, their bytes; and how many are missing."""
        there = [bundle for bundle in self.bundles if bundle.state != "missing"]
        verified = sum(bundle.state == "verified" for bundle in there)
        return {
            "in_store": len(there),
            "verified": verified,
            "unverified": len(there) - verified,
            "missing": len(self.bundles) - len(there) + len(self.absent),
            "bytes": sum(bundle.stored.size for bundle in there),
        }


def store_list(session: Session, families: Sequence[str] = ()) -> StoreList:
    """What is in the store of these families, of all where none is named.

    Raises InputError for a family that is none; DamagedError, LockedError, RefusedError, UnfinishedError.
    """
    from bundlekeeper.jobs.store import absent
    from bundlekeeper.jobs.store.needs import needs
    from bundlekeeper.jobs.store.removed import removed
    from bundlekeeper.store.contents import quarantine
    from bundlekeeper.store.contents.manifest_dates import date_findings
    from bundlekeeper.store.contents.right_now import findings_of, holdings
    from bundlekeeper.store.signatures.voucher import read_settings

    wrong = [family for family in families if family not in FAMILIES]
    if wrong:
        raise InputError(f"no such family: {', '.join(wrong)}", hint=f"one of {', '.join(FAMILIES)}")
    if _is_bare(session):
        return StoreList(session.root, [], [], [], [])
    database, found = session.consulted
    out: Removed = {}
    needed_by: Needs = {}
    stored = database.stored()
    try:
        out, needed_by = removed(session, stored), needs(session, stored)
    except DamagedError as error:
        found = [
            *found,
            finding("damaged", error.where, f"what needs a bundle is not known: {error.message}", error.hint),
        ]
    held = (h for f in dict.fromkeys(families) or (None,) for h in holdings(session.store, database, session.now(), f))
    rows = [row for row in sorted(held, key=_place_in_list) if (row.stored.place, row.stored.sha256) not in out]
    settings = read_settings(session.store.fd)
    oldest_s = (settings.max_verification_age_s if settings else None) or session.config.max_verification_age_s
    manifests = database.admitted()
    manifest = absent.kept_manifest(session.store, manifests)
    found = [*found, *findings_of(rows, session.now(), oldest_s, manifest)]
    lacking = [b for b in absent.absent(session.store, manifests, stored, out) if not families or b.family in families]
    found += absent.findings_of(session.store, lacking, manifests)
    found += date_findings(manifests, session.now())
    wrong_bytes = quarantine.listed(session.store.fd)
    return StoreList(
        session.root,
        rows,
        manifests,
        database.exceptions(),
        session.judged(found),
        wrong_bytes,
        session.acceptances,
        list(out.values()),
        lacking,
        needed_by,
    )


def _is_bare(session: Session) -> bool:
    """True where only a ledger was made so far: no store database, nothing to make one from, and nobody makes one."""
    from bundlekeeper.store.disk import lock

    store = session.store
    if store.database_path.exists() or store.has_contents or lock.maker(store.fd):
        return False
    return session.own_ledger_is_there


def _place_in_list(row: Holding) -> tuple[Any, ...]:
    """By family, then by version in natural order (last, as text, those without one), then by name."""
    from bundlekeeper.model.versions import order

    family = FAMILIES.index(row.stored.family)
    try:
        return family, 0, order("natural").key(row.stored.version), row.stored.name
    except VersionError:
        return family, 1, row.stored.version, row.stored.name
