"""All sites, or one, as one page: what needs attention, domains as tiles, components with their states.

Rules: what the ledger answers is shown, and nothing is added; without a manifest, a release or an inventory the page
is still made, and its states are "not known"; all states are against one release, by the manifest of today.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from bundlekeeper.findings import Finding
from bundlekeeper.formats.escape import counted, shell_word
from bundlekeeper.jobs.pages.history import History, Stood, history_of
from bundlekeeper.jobs.pages.layout import PlacedRow, pictures_of
from bundlekeeper.jobs.pages.plans import open_plans
from bundlekeeper.jobs.pages.states import DomainOutcomes, StateGround, ground_of
from bundlekeeper.jobs.planning.report import ReportPage
from bundlekeeper.jobs.planning.site_page import counts_of, nothing_known, site_component
from bundlekeeper.jobs.recording.selection import Places, selector_of
from bundlekeeper.jobs.recording.where import WhereAsked, doubts, narrowed, time_of
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.release_state import ReleaseState
from bundlekeeper.reports.overview_page import (
    OverviewPage,
    PageBundle,
    PageComponent,
    PageDomain,
    PageMatter,
    PagePlan,
    html,
)
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


@dataclass(frozen=True, slots=True)
class _Sites:
    """What is at the sites, and what is to be said of it."""

    release: str = ""
    domains: tuple[PageDomain, ...] = ()
    notes: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()


_NOTHING = _Sites(notes=("nothing was recorded in this store yet: bundlekeeper inventory load FILE",))


def overview_page(session: Session, wanted: OverviewWanted) -> ReportPage:
    """The page of all sites, or of one, as of now or of a past day.

    Raises InputError for a site, a release or a day that is none; DamagedError, LockedError, RefusedError,
    UnfinishedError.
    """
    import bundlekeeper

    moment = session.now()
    attention = None
    if not wanted.site and not wanted.on:
        from bundlekeeper.jobs.attention.status import status

        attention = status(session)
    found = _sites(session, wanted) if wanted.site or session.ledger_is_there else _NOTHING
    page = OverviewPage(
        title=f"Site {wanted.site}" if wanted.site else "Overview",
        as_of=f"as of {wanted.on}" if wanted.on else f"as of now, {moment:%Y-%m-%d %H:%M}Z",
        release=found.release,
        notes=found.notes,
        matters=None if attention is None else tuple(_matters(attention)),
        domains=found.domains,
        facts=(("made", f"{moment:%Y-%m-%d %H:%M}Z by bundlekeeper {bundlekeeper.__version__}"), *found.facts),
        bundles=() if attention is None else tuple(_bundles(session)),
        since=wanted.since or "",
    )
    components = [component for domain in found.domains for component in domain.components]
    about: dict[str, Any] = {
        "site": wanted.site or None,
        "on": wanted.on,
        "since": wanted.since,
        "release": found.release or None,
    }
    about["counts"] = counts_of([component.shown for component in components])
    states = Counter(component.state for component in components)
    about["states"] = {state.value: states[state] for state in ReleaseState}
    findings = (*(attention.findings if attention is not None else ()), *found.findings)
    return ReportPage(html(page), findings, about)


@dataclass(frozen=True, slots=True)
class _Asked:
    """One question of the ledger: which components, by what they are judged, which have withdrawn images."""

    session: Session
    selector: Selector
    bad: Selector | None
    ground: StateGround
    sites: tuple[str, ...]

    def answers(
        self, on: date | datetime | None
    ) -> tuple[list[WhereAnswer], Mapping[str, WhereAnswer], DomainOutcomes]:
        """How every component is, those with withdrawn images, and how they stand, now or on a past day."""
        from bundlekeeper.ledger.ask.where import where

        session, clock = self.session, self.session.now()
        with session.ledger.reading():
            answers = where(session.ledger, self.selector, on=on, clock=clock)
            bad = where(session.ledger, self.bad, on=on, clock=clock) if self.bad is not None else []
            fleet = self.ground.fleet(session, on, self.sites)
        withdrawn = {answer.component: answer for answer in bad}
        return answers, withdrawn, DomainOutcomes(self.ground, fleet, withdrawn)

    def stood(self, on: date | datetime | None) -> dict[str, Stood]:
        """How each component stood."""
        answers, _, outcomes = self.answers(on)
        return {
            answer.component: Stood(
                answer.active.version if answer.active is not None else "?",
                answer.staged.version if answer.staged is not None else "",
                outcomes.of(answer).state,
            )
            for answer in answers
        }


def _sites(session: Session, wanted: OverviewWanted) -> _Sites:
    from bundlekeeper.ledger.ask.types import Selector

    ledger, moment = session.ledger, session.now()
    on, since = time_of(wanted.on, "--on"), time_of(wanted.since, "--since")
    selector = selector_of(session, Places(site=(wanted.site,))) if wanted.site else Selector()
    bad = narrowed(session, selector, WhereAsked(withdrawn=True))
    asked = _Asked(session, selector, bad, ground_of(session, wanted.release), (wanted.site,) if wanted.site else ())
    with ledger.reading():
        head, found = ledger.head(), tuple(session.judged(doubts(ledger, on, None, "UTC", moment)))
        answers, withdrawn, outcomes = asked.answers(on)
    if wanted.on and not answers:
        found += (nothing_known(f"site {wanted.site}" if wanted.site else "all sites", wanted.on),)
    rows = _numbered(answers)
    history = History({}, 0)
    if since is not None:
        numbers = {answer.component: number for group in rows.values() for number, answer in group}
        history = history_of(session, numbers, asked.stood, since, on)
    plans: dict[str, list[PagePlan]] = {}
    for domain, plan in open_plans(session) if on is None else ():
        plans.setdefault(domain, []).append(plan)
    draft = _Draft(outcomes, withdrawn, history, plans)
    facts = (
        ("ledger", f"{head.ledger}, {counted(head.count, 'event')}"),
        ("ledger's head", head.digest),
        *asked.ground.facts,
        *((f"{doubt.level.value}: {doubt.code}", doubt.message) for doubt in found),
    )
    domains = (_domain(number, name, group, draft) for number, (name, group) in enumerate(rows.items(), 1))
    notes = (*asked.ground.notes, *history.notes)
    return _Sites(asked.ground.release, tuple(domains), notes, (*asked.ground.findings, *found), facts)


Numbered = list[tuple[int, "WhereAnswer"]]


def _numbered(answers: Sequence[WhereAnswer]) -> dict[tuple[str, str], Numbered]:
    """The answers by site and domain, each with the number of its row, in natural order of chassis and slot."""

    def place(answer: WhereAnswer) -> tuple[object, ...]:
        at = answer.place
        chassis, slot = ("", "") if at is None else (at.chassis or "", at.slot or "")
        return (natural(chassis), natural(slot.partition("/")[0]), answer.parent, answer.kind, natural(slot))

    groups: dict[tuple[str, str], list[WhereAnswer]] = {}
    for answer in answers:
        at = answer.place
        name = ("?", "?") if at is None else (at.site, "?" if at.domain is None else at.domain or "-")
        groups.setdefault(name, []).append(answer)
    found, number = dict[tuple[str, str], Numbered](), 1
    for name in sorted(groups, key=lambda one: (natural(one[0]), natural(one[1]))):
        found[name] = [*enumerate(sorted(groups[name], key=place), number)]
        number += len(groups[name])
    return found


@dataclass(frozen=True, slots=True)
class _Draft:
    """What every domain of the page is made from."""

    outcomes: DomainOutcomes
    withdrawn: Mapping[str, WhereAnswer]
    history: History
    plans: Mapping[str, Sequence[PagePlan]] = field(default_factory=dict)


def _domain(number: int, name: tuple[str, str], answers: Numbered, draft: _Draft) -> PageDomain:
    placed, outcomes = [], draft.outcomes
    for place, answer in answers:
        against = outcomes.of(answer)
        shown = site_component(answer, draft.withdrawn.get(answer.component))
        component = PageComponent(place, against.state, against.goal, shown)
        placed.append(PlacedRow(component, answer, outcomes.component(answer.component)))
    rows = tuple(one.row for one in placed)
    counts = Counter(row.state for row in rows)
    kinds: dict[str, Counter[str]] = {}
    for row in rows:
        kinds.setdefault(row.shown.kind, Counter())[row.shown.active] += 1
    running = tuple((kind, ", ".join(f"{n} at {v}" for v, n in found.items())) for kind, found in sorted(kinds.items()))
    plans = tuple(draft.plans.get(name[1], ()))
    outcome, drawn = outcomes.domain(name[1], counts, plans), pictures_of(placed, outcomes.fleet)
    return PageDomain(
        number,
        *name,
        outcome.word,
        outcome.detail,
        counts,
        running,
        rows,
        gaps=outcome.gaps,
        halves=drawn.halves,
        panels=drawn.panels,
        space=tuple(outcomes.space(name[1])),
        plans=plans,
        changes=tuple(change for row in rows for change in draft.history.changes.get(row.shown.component, ())),
    )


def _matters(attention: Attention) -> Iterator[PageMatter]:
    for item in attention.items:
        command = item.matter.command.format(name=shell_word(item.name or item.worst.subject))
        yield PageMatter(item.level.value, item.title, item.worst.subject, str(item.since or ""), command)


def _bundles(session: Session) -> Iterator[PageBundle]:
    """The store's bundles with the ages of their verifications."""
    from bundlekeeper.jobs.store.listing import store_list

    today = session.now().date()
    for holding in store_list(session).bundles:
        stored, verification = holding.stored, holding.verification
        verified, age = "never, or changed since", "-"
        if verification is not None:
            day = verification.verified_at.date()
            verified, age = f"{day}", counted((today - day).days, "day") if day < today else "today"
        version = f"{stored.version} {stored.variant}".strip()
        yield PageBundle(stored.family, version, stored.name, holding.state, verified, age)
