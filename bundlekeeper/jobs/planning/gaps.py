"""Everything that is between a domain, or every domain, and a release.

Rules: dates are judged by the later of now and what the store knows; domains are judged one after the other as they are
asked for, so that nobody needs to keep them all.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.planning.inputs import InputFiles, Inputs, read_inputs
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.planning.gaps.report import GapReport


@dataclass(frozen=True, slots=True)
class FoundGaps:
    """A report for each domain, to be gone through once, and what they are made from."""

    given: Inputs
    release: str
    reports: Iterable[GapReport]
    made_at: datetime


def find_gaps(session: Session, domain: str | None, release: str, files: InputFiles) -> FoundGaps:
    """The gaps of one domain, or of every one for None.

    Raises InputError for a domain that the inventory lacks or a release that the manifest lacks; as `read_inputs`.
    """
    from bundlekeeper.planning.gaps.find import Fleet, gaps_all, gaps_of

    given = read_inputs(session, files)
    if files.inventory is None:
        given = replace(given, findings=(*given.findings, *unfinished(session, domain)))
    fleet, stored, moment = Fleet(given.manifest, given.inventory), given.holdings, given.judged_at
    reports: Iterable[GapReport]
    if domain is not None:
        reports = [gaps_of(fleet, domain, release, stored, moment)]
    else:
        reports = gaps_all(fleet, release, stored, moment)
    if given.accepted:
        reports = (report.judged(given.judged(report.findings, report.domain)) for report in reports)
    return FoundGaps(given, release, reports, session.now())


def unfinished(session: Session, domain: str | None) -> Iterator[Finding]:
    """What the last work left open."""
    from bundlekeeper.jobs.unsettled import of_record
    from bundlekeeper.ledger.ask.unsettled import unsettled

    for answer in unsettled(session.ledger, session.now()):
        is_meant = domain is None or (answer.place is not None and answer.place.domain == domain)
        if is_meant and (found := of_record(answer)) is not None:
            yield found
