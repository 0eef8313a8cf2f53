"""All sites, or one, as one page: what needs attention, domains as tiles, components with their states.

Rules: what the ledger answers is shown, and nothing is added; without a manifest, a release or an inventory the page
is still made, and its states are "not known"; the states are against one release.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.formats.escape import counted, shell_word
from bundlekeeper.jobs.pages.layout import Placed, pictures_of
from bundlekeeper.jobs.pages.states import Believed, Standings, believed
from bundlekeeper.jobs.planning.report import ReportPage
from bundlekeeper.jobs.planning.site_page import site_component
from bundlekeeper.jobs.recording.selection import Places, selector_of
from bundlekeeper.jobs.recording.where import WhereAsked, doubts, narrowed, time_of
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.release_state import ReleaseState
from bundlekeeper.reports.overview_page import OverviewPage, PageComponent, PageDomain, PageMatter, html
from bundlekeeper.reports.site_page import natural

if TYPE_CHECKING:
    from bundlekeeper.jobs.attention.status import Attention
    from bundlekeeper.ledger.ask.types import Selector, WhereAnswer


@dataclass(frozen=True, slots=True)
class OverviewWanted:
    """What the page is asked for: one site or all, the release to compare with, the day, and how far back."""

    site: str = ""
    release: str = ""
    on: str | None = None
    since: str | None = None


def overview_page(session: Session, wanted: OverviewWanted) -> ReportPage:
    """The page of all sites, or of one, as of now or of a past day.

    Raises InputError for a site, a release or a day that is none; DamagedError, LockedError, RefusedError,
    UnfinishedError.
    """
    import bundlekeeper

    moment = session.now()
    attention = None
    if not wanted.site:
        from bundlekeeper.jobs.attention.status import status

        attention = status(session)
    domains, notes, found, facts = _domains(session, wanted)
    release = notes.release
    findings = (*(attention.findings if attention is not None else ()), *found)
    page = OverviewPage(
        title=f"Site {wanted.site}" if wanted.site else "Overview",
        as_of=f"as of {wanted.on}" if wanted.on else f"as of now, {moment:%Y-%m-%d %H:%M}Z",
        release=release,
        notes=notes.texts,
        matters=None if attention is None else tuple(_matters(attention)),
        domains=domains,
        facts=(("made", f"{moment:%Y-%m-%d %H:%M}Z by bundlekeeper {bundlekeeper.__version__}"), *facts),
    )
    counts = Counter(component.state.value for domain in domains for component in domain.components)
    about = {"site": wanted.site or None, "on": wanted.on, "release": release or None, "states": dict(counts)}
    return ReportPage(html(page), findings, about)


@dataclass(frozen=True, slots=True)
class _Notes:
    release: str
    texts: tuple[str, ...]


def _domains(
    session: Session, wanted: OverviewWanted
) -> tuple[tuple[PageDomain, ...], _Notes, tuple[Finding, ...], tuple[tuple[str, str], ...]]:
    """The domains with their components; what is to be said of them; findings; what it was made from."""
    from bundlekeeper.ledger.ask import where as questions
    from bundlekeeper.ledger.ask.types import Selector

    if not wanted.site and not session.ledger_is_there:
        return (), _Notes("", ("nothing was recorded in this store yet: bundlekeeper inventory load FILE",)), (), ()
    moment, ledger = session.now(), session.ledger
    selector = selector_of(session, Places(site=(wanted.site,))) if wanted.site else Selector()
    when = time_of(wanted.on, "--on")
    with ledger.reading():
        answers = questions.where(ledger, selector, on=when, clock=moment)
        withdrawn = _withdrawn(session, selector, wanted)
        head = ledger.head()
        found = tuple(session.judged(doubts(ledger, when, None, "UTC", moment)))
        ground = believed(session, wanted.release, when, (wanted.site,) if wanted.site else ())
    standings = Standings(ground, answers, withdrawn)
    groups: dict[tuple[str, str], list[WhereAnswer]] = {}
    for answer in answers:
        place = answer.place
        name = ("?", "?") if place is None else (place.site, "?" if place.domain is None else place.domain or "-")
        groups.setdefault(name, []).append(answer)
    domains, number = [], 0
    for place, (name, rows) in enumerate(sorted(groups.items(), key=lambda g: (natural(g[0][0]), natural(g[0][1])))):
        domains.append(_domain(place + 1, name, _sorted(rows), standings, withdrawn, number))
        number += len(rows)
    facts = (
        ("ledger", f"{head.ledger}, {counted(head.count, 'event')}"),
        ("ledger's head", head.digest),
        *ground.facts,
        *((f"{finding.level.value}: {finding.code}", finding.message) for finding in found),
    )
    return tuple(domains), _Notes(ground.release, ground.notes), (*ground.findings, *found), facts


def _withdrawn(session: Session, selector: Selector, wanted: OverviewWanted) -> dict[str, WhereAnswer]:
    from bundlekeeper.ledger.ask import where as questions

    bad = narrowed(session, selector, WhereAsked(withdrawn=True))
    when = time_of(wanted.on, "--on")
    rows = questions.where(session.ledger, bad, on=when, clock=session.now()) if bad is not None else []
    return {answer.component: answer for answer in rows}


def _sorted(answers: Sequence[WhereAnswer]) -> list[WhereAnswer]:
    """By chassis, slot and kind, in natural order, so that what is together is together."""

    def place(answer: WhereAnswer) -> tuple[object, ...]:
        at = answer.place
        chassis, slot = ("", "") if at is None else (at.chassis or "", at.slot or "")
        return (natural(chassis), natural(slot.partition("/")[0]), answer.parent, answer.kind, natural(slot))

    return sorted(answers, key=place)


def _domain(
    number: int,
    name: tuple[str, str],
    answers: Sequence[WhereAnswer],
    standings: Standings,
    withdrawn: dict[str, WhereAnswer],
    before: int,
) -> PageDomain:
    placed = []
    for place, answer in enumerate(answers, before + 1):
        against = standings.of(answer)
        shown = site_component(answer, withdrawn.get(answer.component))
        row = PageComponent(place, against.state, against.goal, shown)
        placed.append(Placed(row, answer, standings.component(answer.component)))
    rows = tuple(one.row for one in placed)
    counts = Counter(row.state for row in rows)
    kinds: dict[str, Counter[str]] = {}
    for row in rows:
        kinds.setdefault(row.shown.kind, Counter())[row.shown.active] += 1
    running = tuple((kind, ", ".join(f"{n} at {v}" for v, n in found.items())) for kind, found in sorted(kinds.items()))
    standing = standings.domain(name[1], counts)
    drawn = pictures_of(placed, standings.fleet)
    return PageDomain(
        number, *name, standing.word, standing.detail, counts, running, rows, standing.gaps, drawn.halves, drawn.panels
    )


def _matters(attention: Attention) -> Iterator[PageMatter]:
    for item in attention.items:
        command = item.matter.command.format(name=shell_word(item.name or item.worst.subject))
        yield PageMatter(item.level.value, item.title, item.worst.subject, str(item.since or ""), command)
