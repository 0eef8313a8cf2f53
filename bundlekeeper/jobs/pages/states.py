"""How components and domains stand against a release, from what the ledger, the manifest and the store have.

Rules: a domain is at the release only where every component that the release is for was read at it; "ready" only where
nothing is between; where one component is not known, the domain is not known, unless a plan's window is next; a plan of
which something failed has no next window before somebody decides about that.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.pages.space import space_bars
from bundlekeeper.jobs.planning.inputs import InputFiles, Inputs, read_inputs
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.release_state import ReleaseState
from bundlekeeper.planning.fleet.against_release import AgainstRelease, LedgerSays, against_release
from bundlekeeper.reports.overview_page import PageGap, PagePlan

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.model.inventory.types import Component
    from bundlekeeper.planning.fleet.domain_state import PlacedComponent
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.fleet.target import ReleaseTarget
    from bundlekeeper.reports.pictures.space import SpaceBar

_GOOD = frozenset({ReleaseState.AT, ReleaseState.OUTSIDE})


@dataclass(frozen=True, slots=True)
class StateGround:
    """What states are judged by: the inputs of today, None where they are not to be had, and the release, if any."""

    given: Inputs | None
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
        named = f"{manifest.platform}, sequence {manifest.sequence}"
        return (("manifest", named), ("manifest's SHA-256", self.given.manifest_sha256))

    def fleet(self, session: Session, on: date | datetime | None, sites: Sequence[str]) -> Fleet | None:
        """The inventory of today or of a past day by the manifest; None where there is none of them, or no release.

        Raises DamagedError, LockedError, UnfinishedError.
        """
        from bundlekeeper.ledger.ask.as_inventory import believed
        from bundlekeeper.planning.fleet.domains import Fleet

        if self.given is None or not self.release:
            return None
        if on is None:
            return Fleet(self.given.manifest, self.given.inventory)
        then = believed(session.ledger, sites=sites, on=on, clock=session.now())
        return Fleet(self.given.manifest, then.inventory) if then is not None else None


def ground_of(session: Session, release: str) -> StateGround:
    """What states are judged by; the newest release of the manifest where none is named.

    Raises InputError for a release that the manifest lacks, or that is asked for where there is no manifest; as
    `read_inputs`.
    """
    from bundlekeeper.planning.fleet.manifest_index import ManifestIndex
    from bundlekeeper.planning.fleet.target import newest_release

    try:
        given = read_inputs(session, InputFiles())
    except InputError as error:
        if release:
            raise
        words = f"{error.message}: {error.hint}".removesuffix(", or --manifest")  # which the page does not take
        return StateGround(None, "", (f"no state is known: {words}",))
    index = ManifestIndex(given.manifest)
    if release:
        index.release(release)
    elif (newest := newest_release(index, given.manifest.release)) is not None:
        release = newest.name
    notes = () if release else ("no state is known: the manifest has no release to compare with",)
    return StateGround(given, release, notes)


@dataclass(frozen=True, slots=True)
class DomainOutcome:
    """One domain's word and what it rests on."""

    word: str
    detail: str
    gaps: tuple[PageGap, ...] = ()


class DomainOutcomes:
    """Every component's and domain's state at one time; a domain is read when it is first asked for."""

    def __init__(self, ground: StateGround, fleet: Fleet | None, withdrawn: Mapping[str, WhereAnswer]) -> None:
        """`fleet` is None where nothing can be compared; `withdrawn` are the answers about withdrawn bundles."""
        self._ground = ground
        self.fleet = fleet
        self._withdrawn = withdrawn
        self._placed: dict[str, tuple[ReleaseTarget, PlacedComponent]] = {}
        self._targets: dict[str, ReleaseTarget | None] = {}

    def _target(self, domain: str) -> ReleaseTarget | None:
        if domain in self._targets:
            return self._targets[domain]
        from bundlekeeper.planning.fleet.target import target_of

        self._targets[domain] = None
        given, fleet = self._ground.given, self.fleet
        if fleet is None or given is None or not fleet.components(domain):
            return None
        state, index = fleet.state(domain), fleet.manifest_index
        target = target_of(index, index.release(self._ground.release), state, given.holdings)
        self._placed |= {placed.key: (target, placed) for placed in state.components}
        self._targets[domain] = target
        return target

    @cached_property
    def _components(self) -> dict[str, Component]:
        return {c.key: c for c in self.fleet.inventory.components} if self.fleet is not None else {}

    def component(self, key: str) -> Component | None:
        """What the inventory has of a component; None where it is in no reading."""
        return self._components.get(key)

    def of(self, answer: WhereAnswer) -> AgainstRelease:
        """One component's state."""
        from bundlekeeper.ledger.ask.types import Agreement

        if answer.place is not None and answer.place.domain:
            self._target(answer.place.domain)
        failed = answer.agreement in {Agreement.ACTIVATION_FAILED, Agreement.NO_ANSWER, Agreement.DIFFERS}
        unread = answer.agreement in {Agreement.NOT_READ_BACK, Agreement.ONLY_RECORDED}
        recorded = LedgerSays(failed, self._runs_withdrawn(answer), unread)
        placed = self._placed.get(answer.component)
        if placed is None or self.fleet is None:
            return AgainstRelease(recorded.worst or ReleaseState.UNKNOWN, "")
        return against_release(self.fleet, *placed, recorded)

    def _runs_withdrawn(self, answer: WhereAnswer) -> bool:
        bad, runs = self._withdrawn.get(answer.component), answer.active
        if bad is None or runs is None:
            return False
        named = {(bundle.family, bundle.version) for bundle in bad.bundles}
        images = {image.version for bundle in bad.bundles for image in bundle.images if image.kind == answer.kind}
        return (runs.family, runs.bundle) in named or runs.version in images

    def space(self, domain: str) -> Iterator[SpaceBar]:
        """The domain's partitions, before and after."""
        given, target = self._ground.given, self._target(domain)
        if self.fleet is not None and given is not None and target is not None:
            yield from space_bars(self.fleet, target, domain, given.holdings, given.judged_at)

    def domain(self, domain: str, counts: Counter[ReleaseState], plans: Sequence[PagePlan]) -> DomainOutcome:
        """One domain's word, by the states of its components, its plans, and what is between it and the release."""
        from bundlekeeper.planning.gaps.find import gaps_of

        given, fleet = self._ground.given, self.fleet
        if fleet is None or given is None or self._target(domain) is None:
            return DomainOutcome("not known", "nothing to compare with")
        at, all_of = counts[ReleaseState.AT], sum(counts.values()) - counts[ReleaseState.OUTSIDE]
        detail = f"{at} of {all_of} at {self._ground.release}"
        report = gaps_of(fleet, domain, self._ground.release, given.holdings, given.judged_at)
        gaps = _gaps(report.judged(given.judged(report.findings, domain)).findings)
        if at and {state for state, count in counts.items() if count} <= _GOOD:
            open_gaps = sum(gap.count for gap in gaps if gap.level != Level.NOTE.value)
            return DomainOutcome("at release", f"{detail}; {counted(open_gaps, 'gap')}" if open_gaps else detail, gaps)
        coming = next((plan for plan in plans if plan.next), None)
        stuck = [f"{plan.name}: {plan.stuck}" for plan in plans if plan.stuck]
        detail = "; ".join([*stuck, detail])
        if coming is not None and not stuck:
            return DomainOutcome("window next", f"{coming.name}: {coming.next}; {detail}", gaps)
        if counts[ReleaseState.UNKNOWN]:
            return DomainOutcome("not known", f"{counts[ReleaseState.UNKNOWN]} not known; {detail}", gaps)
        if any(gap.level != Level.NOTE.value for gap in gaps):
            return DomainOutcome("gaps", detail, gaps)
        return DomainOutcome("ready", detail, gaps)


def _gaps(findings: Sequence[Finding]) -> tuple[PageGap, ...]:
    """The gaps by level and code, worst first, each with the first of them."""
    groups: dict[tuple[Level, str], list[Finding]] = {}
    for found in findings:
        groups.setdefault((found.level, found.code), []).append(found)
    return tuple(
        PageGap(level.value, code, len(rows), f"{rows[0].subject}: {rows[0].message}")
        for (level, code), rows in groups.items()
    )
