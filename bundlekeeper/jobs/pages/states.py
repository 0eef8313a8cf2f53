"""How components and domains stand against a release, from what the ledger, the manifest and the store have.

Rules: a domain is at the release only where every component that the release is for was read at it; "ready" only where
nothing is between; where one component is not known, the domain is not known, unless something graver is found.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.jobs.planning.inputs import InputFiles, Inputs, read_inputs
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.release_state import ReleaseState
from bundlekeeper.planning.fleet.against_release import AgainstRelease, Recorded, against_release
from bundlekeeper.reports.overview_page import PageGap

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.model.inventory.types import Component
    from bundlekeeper.planning.fleet.domain_state import PlacedComponent
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.fleet.target import ReleaseTarget

_GOOD = frozenset({ReleaseState.AT, ReleaseState.OUTSIDE})


@dataclass(frozen=True, slots=True)
class Believed:
    """What the states are judged by. `fleet` is None where there is no manifest or no inventory; `notes` say so."""

    given: Inputs | None
    fleet: Fleet | None
    release: str
    notes: tuple[str, ...] = ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was found about the manifest, its signature and the inventory."""
        return self.given.findings if self.given is not None else ()

    @property
    def facts(self) -> tuple[tuple[str, str], ...]:
        """What it was made from."""
        if self.given is None:
            return ()
        manifest = self.given.manifest
        return (
            ("manifest", f"{manifest.platform}, sequence {manifest.sequence}"),
            ("manifest's SHA-256", self.given.manifest_sha256),
        )


def believed(session: Session, release: str, on: date | datetime | None, sites: Sequence[str]) -> Believed:
    """What the states are judged by, now or on a past day.

    Raises InputError for a release that the manifest lacks, or that is asked for where there is no manifest; as
    `read_inputs`.
    """
    from bundlekeeper.ledger.ask.as_inventory import believed as inventory_of
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.fleet.target import newest_release

    try:
        given = read_inputs(session, InputFiles())
    except InputError as error:
        if release:
            raise
        return Believed(None, None, "", (f"no state is known: {error.message}: {error.hint}",))
    inventory = given.inventory
    if on is not None:
        then = inventory_of(session.ledger, sites=sites, on=on, clock=session.now())
        if then is None:
            return Believed(given, None, release, (f"no state is known: no inventory of {on} was loaded",))
        inventory = then.inventory
    fleet = Fleet(given.manifest, inventory)
    if release:
        fleet.manifest_index.release(release)
    else:
        newest = newest_release(fleet.manifest_index, given.manifest.release)
        release = newest.name if newest is not None else ""
    notes = () if release else ("no state is known: the manifest has no release to compare with",)
    return Believed(given, fleet, release, notes)


@dataclass(frozen=True, slots=True)
class DomainStanding:
    """One domain's word and what it rests on."""

    word: str
    detail: str
    gaps: tuple[PageGap, ...] = ()


class Standings:
    """Every component's and domain's state; a domain is read when it is first asked for."""

    def __init__(
        self, ground: Believed, answers: Sequence[WhereAnswer], withdrawn: Mapping[str, WhereAnswer]
    ) -> None:
        self._ground = ground
        self._withdrawn = withdrawn
        self._placed: dict[str, tuple[ReleaseTarget, PlacedComponent]] = {}
        self._read: set[str] = set()
        self._components: dict[str, Component] | None = None

    def _read_domain(self, domain: str) -> None:
        from bundlekeeper.planning.fleet.target import target_of

        ground = self._ground
        self._read.add(domain)
        if ground.fleet is None or ground.given is None or not ground.release or domain not in ground.fleet.domains:
            return
        state, index = ground.fleet.state(domain), ground.fleet.manifest_index
        target = target_of(index, index.release(ground.release), state, ground.given.holdings)
        for placed in state.components:
            self._placed[placed.key] = (target, placed)

    @property
    def fleet(self) -> Fleet | None:
        """The index of the manifest and the inventory; None where one of them is not to be had."""
        return self._ground.fleet

    def component(self, key: str) -> Component | None:
        """What the inventory has of a component; None where it is in no reading."""
        if self._components is None:
            fleet = self._ground.fleet
            self._components = {c.key: c for c in fleet.inventory.components} if fleet is not None else {}
        return self._components.get(key)

    def of(self, answer: WhereAnswer) -> AgainstRelease:
        """One component's state."""
        from bundlekeeper.ledger.ask.types import Agreement

        domain = answer.place.domain if answer.place is not None else None
        if domain and domain not in self._read:
            self._read_domain(domain)
        failed = answer.agreement in {Agreement.ACTIVATION_FAILED, Agreement.NO_ANSWER, Agreement.DIFFERS}
        unread = answer.agreement in {Agreement.NOT_READ_BACK, Agreement.ONLY_RECORDED}
        bad = self._withdrawn.get(answer.component)
        runs = answer.active.version if answer.active is not None else None
        withdrawn = bad is not None and runs is not None and any(
            image.version == runs for bundle in bad.bundles for image in bundle.images
        )  # fmt: skip
        recorded = Recorded(failed, withdrawn, unread)
        if answer.component not in self._placed or self._ground.fleet is None:
            state = (
                ReleaseState.FAILED if failed else ReleaseState.WITHDRAWN if withdrawn else ReleaseState.UNKNOWN
            )  # fmt: skip
            return AgainstRelease(state, "")
        target, placed = self._placed[answer.component]
        return against_release(self._ground.fleet, target, placed, recorded)

    def domain(self, domain: str, counts: Counter[ReleaseState]) -> DomainStanding:
        """One domain's word, by the states of its components and by what is between it and the release."""
        from bundlekeeper.planning.gaps.find import gaps_of

        ground = self._ground
        if ground.fleet is None or ground.given is None or not ground.release or domain not in ground.fleet.domains:
            return DomainStanding("not known", "nothing to compare with")
        at, all_of = counts[ReleaseState.AT], sum(counts.values()) - counts[ReleaseState.OUTSIDE]
        detail = f"{at} of {all_of} at {ground.release}"
        if at and set(counts) <= _GOOD:
            return DomainStanding("at release", detail)
        report = gaps_of(ground.fleet, domain, ground.release, ground.given.holdings, ground.given.judged_at)
        found = report.judged(ground.given.judged(report.findings, domain)).findings
        gaps = _gaps(found)
        if counts[ReleaseState.UNKNOWN]:
            return DomainStanding("not known", f"{counts[ReleaseState.UNKNOWN]} not known; {detail}", gaps)
        if any(row.level != Level.NOTE.value for row in gaps):
            return DomainStanding("gaps", detail, gaps)
        return DomainStanding("ready", detail, gaps)


def _gaps(findings: Sequence[Finding]) -> tuple[PageGap, ...]:
    """The gaps by level and code, worst first, each with the first of them."""
    groups: dict[tuple[Level, str], list[Finding]] = {}
    for found in findings:
        groups.setdefault((found.level, found.code), []).append(found)
    return tuple(
        PageGap(level.value, code, len(rows), f"{rows[0].subject}: {rows[0].message}")
        for (level, code), rows in groups.items()
    )
