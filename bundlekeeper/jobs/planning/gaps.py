"""Everything that is between a domain, or every domain, and a release.

Rules: dates are judged by the later of now and what the store knows; domains are judged one after the other as they are
asked for, so that nobody needs to keep them all.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, finding
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
        given = replace(given, findings=(*given.findings, *_unfinished(session, domain)))
    fleet, stored, moment = Fleet(given.manifest, given.inventory), given.holdings, given.judged_at
    reports: Iterable[GapReport]
    if domain is not None:
        reports = [gaps_of(fleet, domain, release, stored, moment)]
    else:
        reports = gaps_all(fleet, release, stored, moment)
    if given.accepted:
        reports = (report.judged(given.judged(report.findings, report.domain)) for report in reports)
    return FoundGaps(given, release, reports, session.now())


def _unfinished(session: Session, domain: str | None) -> Iterator[Finding]:
    """What the last work left open: not read back, failed, or without an answer."""
    from bundlekeeper.ledger.ask.types import Agreement
    from bundlekeeper.ledger.ask.unsettled import unsettled

    for answer in unsettled(session.ledger, session.now()):
        if domain is not None and (answer.place is None or answer.place.domain != domain):
            continue
        where = f"{answer.place.domain or answer.place.site}: " if answer.place is not None else ""
        runs = answer.active.version if answer.active is not None and answer.active.version else "?"
        subject, hint = f"{where}{answer.component}", f"bundlekeeper observe {answer.component} --active VERSION"
        staged = answer.staged.version if answer.staged is not None else ""
        if answer.agreement is Agreement.NO_ANSWER:
            yield finding("no-answer", subject, f"it did not answer; {runs} is what was known", hint)
        elif answer.agreement is Agreement.ACTIVATION_FAILED:
            still = f", {staged} is still staged" if staged else ""
            message = f"its last activation failed; {runs} runs as far as is known{still}"
            yield finding("activation-failed", subject, message, hint)
        elif answer.agreement in {Agreement.NOT_READ_BACK, Agreement.ONLY_RECORDED}:
            message = f"{runs} was recorded as activated, and nobody has read since what runs"
            yield finding("not-read-back", subject, message, hint)
