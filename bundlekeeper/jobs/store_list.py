"""What is in the store, by family, with the manifests that it admitted and the findings on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError, VersionError
from bundlekeeper.findings import Finding
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.vocabulary import FAMILIES

if TYPE_CHECKING:
    from bundlekeeper.store.contents.right_now import Holding
    from bundlekeeper.store.database.rows import Admitted


@dataclass(frozen=True, slots=True)
class StoreList:
    """The bundles, the manifests in the order of admission, and the exceptions: when, what, subject, reason."""

    root: Path
    bundles: list[Holding]
    manifests: list[Admitted]
    exceptions: list[tuple[datetime, str, str, str]]
    findings: list[Finding]

    @property
    def counts(self) -> dict[str, int]:
        """How many bundles, how many of them verified and not, and their bytes."""
        verified = sum(bundle.state == "verified" for bundle in self.bundles)
        return {
            "in_store": len(self.bundles),
            "verified": verified,
            "unverified": len(self.bundles) - verified,
            "bytes": sum(bundle.stored.size for bundle in self.bundles),
        }


def store_list(session: Session, families: Sequence[str] = ()) -> StoreList:
    """What is in the store of these families, of all where none is named.

    Raises InputError for a family that is none; DamagedError, LockedError, RefusedError, UnfinishedError.
    """
    from bundlekeeper.store.contents.manifest_dates import date_findings
    from bundlekeeper.store.contents.right_now import findings_of, holdings
    from bundlekeeper.store.signatures.voucher import read_settings

    wrong = [family for family in families if family not in FAMILIES]
    if wrong:
        raise InputError(f"no such family: {', '.join(wrong)}", hint=f"one of {', '.join(FAMILIES)}")
    database, found = session.consulted
    held = (h for f in dict.fromkeys(families) or (None,) for h in holdings(session.store, database, session.now(), f))
    rows = sorted(held, key=_place_in_list)
    settings = read_settings(session.store.fd)
    oldest_s = (settings.max_verification_age_s if settings else None) or session.config.max_verification_age_s
    found = [*found, *findings_of(rows, session.now(), oldest_s)]
    manifests = database.admitted()
    found += date_findings(manifests, session.now())
    return StoreList(session.root, rows, manifests, database.exceptions(), found)


def _place_in_list(row: Holding) -> tuple[Any, ...]:
    """By family, then by version in natural order (last, as text, those without one), then by name."""
    from bundlekeeper.model.versions import order

    family = FAMILIES.index(row.stored.family)
    try:
        return family, 0, order("natural").key(row.stored.version), row.stored.name
    except VersionError:
        return family, 1, row.stored.version, row.stored.name
