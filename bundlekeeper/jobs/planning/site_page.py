"""A site as text: its domains, chassis, slots and components, what each runs and what waits, as of now or a past
day."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.planning.report import ReportPage
from bundlekeeper.jobs.recording.selection import Places, selector_of
from bundlekeeper.jobs.recording.where import WhereAsked, doubts, narrowed, time_of
from bundlekeeper.jobs.session import Session
from bundlekeeper.reports.site_page import SiteComponent, SitePage, text

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import InBank, WhereAnswer

_EVIDENCE_WORDS = {"none": "no verification given"}


def nothing_known(what: str, on: str) -> Finding:
    """The finding that nothing of this site, or of all, is known of a past day."""
    return finding("not-checked", what, f"nothing is known of {on}: all that is recorded is later")


def site_page(session: Session, site: str, on: str | None) -> ReportPage:
    """The page of a site as of now, or of the end of the day or the moment `on`; its findings make it doubtful.

    Raises InputError for a site that was never recorded, with a suggestion; DamagedError, LockedError, UnfinishedError.
    """
    import bundlekeeper
    from bundlekeeper.ledger.ask import where as questions

    moment, ledger = session.now(), session.ledger
    selector, when = selector_of(session, Places(site=(site,))), time_of(on, "--on")
    with ledger.reading():
        answers = questions.where(ledger, selector, on=when, clock=moment)
        bad = narrowed(session, selector, WhereAsked(withdrawn=True))
        withdrawn = questions.where(ledger, bad, on=when, clock=moment) if bad is not None else []
        head = ledger.head()
        found = tuple(doubts(ledger, when, None, "UTC", moment))
    if on and not answers:
        found += (nothing_known(f"site {site}", on),)
    flags = {answer.component: answer for answer in withdrawn}
    components = tuple(site_component(answer, flags.get(answer.component)) for answer in answers)
    counts = counts_of(components)
    page = SitePage(
        f"Site {site}",
        f"as of {on}" if on else f"as of now, {moment:%Y-%m-%d %H:%M}Z",
        components,
        counts,
        (
            ("made", f"{moment:%Y-%m-%d %H:%M}Z by bundlekeeper {bundlekeeper.__version__}"),
            ("ledger", f"{head.ledger}, {counted(head.count, 'event')}"),
            ("ledger's head", head.digest),
            *((f"{doubt.level.value}: {doubt.code}", doubt.message) for doubt in found),
        ),
    )
    return ReportPage(text(page), found, {"site": site, "on": on, "counts": counts})


def counts_of(components: Sequence[SiteComponent]) -> dict[str, int]:
    """How many components there are, and how many of them have something to be reported."""
    return {
        "components": len(components),
        "running_not_known": sum(component.active == "?" for component in components),
        "staged": sum(bool(component.staged) for component in components),
        "read_otherwise": sum(component.differs for component in components),
        "withdrawn": sum(bool(component.withdrawn) for component in components),
    }


def site_component(answer: WhereAnswer, withdrawn: WhereAnswer | None) -> SiteComponent:
    """One component for people; `withdrawn` is its answer about withdrawn bundles, where it has images of such."""
    place = answer.place
    since = answer.active.since if answer.active is not None else None
    staged = answer.staged.version if answer.staged is not None else ""
    previous = answer.previous.version if answer.previous is not None else ""
    others = [f"previous {previous}"] if previous else []
    known = {_version(answer.active), staged, previous}
    others += [f"boot file {file.version}" for file in answer.boot_files if file.version not in known]
    bundles = withdrawn.bundles if withdrawn is not None else ()
    return SiteComponent(
        domain=_text(place.domain if place else None),
        chassis=_text(place.chassis if place else None),
        slot=_text(place.slot if place else None),
        kind=answer.kind,
        model=answer.model or "?",
        component=answer.component,
        name=", ".join(word for word in (answer.name, *answer.tags) if word),
        active=_version(answer.active),
        since=f"{since.at.text()[:10]}, {since.reported_by or '?'}" if since is not None else "?",
        evidence=_EVIDENCE_WORDS.get(since.evidence.value, since.evidence.value) if since is not None else "?",
        staged=staged,
        others=", ".join(others),
        differs=answer.agreement.value == "differs",
        withdrawn=", ".join(f"{b.family} {b.version}" for b in bundles),
    )


def _text(value: str | None) -> str:
    return "?" if value is None else value or "-"


def _version(bank: InBank | None) -> str:
    return _text(None if bank is None else bank.version)
