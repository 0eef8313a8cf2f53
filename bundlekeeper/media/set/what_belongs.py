"""What belongs in a media set, and what the set lacks to be complete.

Rules: a set for a release has every bundle that the release names; a set for a domain has those of the families that
the domain has or may have, and every bundle that the steps of its route need, stops and patches among them; a set for a
site is the sets of all its domains. What is missing is reported first and never left out in silence: a family, a
bundle, a verification, a signature, a list of models, a route. A withdrawn bundle, or one whose signature
is bad, is reported and not packed. Nothing is read here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.fleet.domain_state import DomainState, read_domain
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import near
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.fleet.target import ReleaseTarget, Taken, TargetChoice, aim, every_variant, taken_by
from bundlekeeper.planning.gaps.find import gaps_of
from bundlekeeper.planning.gaps.question import Case, GapAnswer
from bundlekeeper.planning.gaps.report import Gap
from bundlekeeper.planning.gaps.supply import check_supply
from bundlekeeper.planning.route.find import NoRoute, route

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle, Release

#: Codes of what is missing from the set, or may not go into it.
SUPPLY = frozenset(
    {
        *("family-missing", "not-in-store", "wrong-variant", "bad-signature", "unsigned", "revoked-key", "removed-key"),
        *(
            "expired-key",
            "unknown-key",
            "withdrawn",
            "model-unsupported",
            "unverified",
            "stale-verification",
            "self-digest",
        ),
        "expired",
    }
)
#: Checks of the supply; one that could not be made is reported, too.
CHECKS = frozenset(
    {
        "variant",
        "digest",
        "verification age",
        "signature",
        "base",
        "family",
        "in-store",
        "verification",
        "lifecycle",
        "support",
        "model list",
    }
)
_NOT_PACKED = frozenset({"withdrawn", "bad-signature", "revoked-key"})


@dataclass(frozen=True, slots=True)
class SetPurpose:
    """What `--for` names: a release, or domains that go to one. `kind` is "release", "domain" or "site"."""

    kind: str
    name: str
    release: str
    domains: tuple[str, ...] = ()

    @property
    def phrase(self) -> str:
        """For people: `domain holm-a to release 6.1`."""
        return (
            f"release {self.name}" if self.kind == "release" else f"{self.kind} {self.name} to release {self.release}"
        )


@dataclass(frozen=True, slots=True)
class SetContents:
    """The bundles of a set, by family and order of need, and what is missing, worst first.

    `missing` has every finding; `left_out` the SHA-256 of bundles that are needed and must not be packed.
    """

    bundles: tuple[Bundle, ...]
    missing: tuple[Finding, ...]
    left_out: frozenset[str]


def meant_by(fleet: Fleet, name: str, to: str) -> SetPurpose:
    """Find out what a name means; `to` is the release for a domain or site, empty for the newest one.

    Raises InputError, with a suggestion, for an unknown name or release, and for a name that means two things.
    """
    sort, _, bare = name.partition(":")
    kinds = ("release", "domain", "site")
    asked, word = ((sort,), bare) if sort in kinds and bare else (kinds, name)
    releases = [r.name for r in fleet.manifest_index.manifest.release]
    sites: dict[str, dict[str, None]] = {}
    for component in fleet.inventory.components:
        if component.site and component.domain:
            sites.setdefault(component.site, {})[component.domain] = None
    known = {"release": releases, "domain": list(fleet.domains), "site": list(sites)}
    found = [kind for kind in asked if word in known[kind]]
    if len(found) > 1:
        hint = " or ".join(f"--for {kind}:{word}" for kind in found)
        raise InputError(f"{word} is a {' and a '.join(found)}", hint=hint)
    if not found and to and not fleet.domains and "domain" in asked:
        fleet.manifest_index.release(to)
        return SetPurpose("domain", word, to)
    if not found:
        hint = near(word, [w for kind in asked for w in known[kind]])
        if not fleet.domains:
            more = "no inventory is loaded: for a domain, name the release with --to RELEASE"
            hint = f"{hint}; {more}" if hint else more
        raise InputError(
            f"no {', '.join(asked[:-1])}{' or ' if asked[1:] else ''}{asked[-1]} is called {word!r}", hint=hint
        )
    if found[0] == "release":
        if to and to != word:
            raise InputError("--to is for a domain or a site", hint=f"--for {word} is the whole release {word}")
        return SetPurpose("release", word, word)
    release = fleet.manifest_index.release(to).name if to else _newest(fleet)
    return SetPurpose(found[0], word, release, (word,) if found[0] == "domain" else tuple(sites[word]))


def _newest(fleet: Fleet) -> str:
    """The release with the highest infrastructure, the first of equal ones. Raises InputError where there is none."""
    releases = fleet.manifest_index.manifest.release
    if not releases:
        raise InputError("the manifest names no release", hint="add [[release]] tables to it")

    def place(release: Release) -> int:
        return max((fleet.reader.rank(INFRASTRUCTURE, v) for v in release.versions(INFRASTRUCTURE)), default=-1)

    return max(releases, key=place).name


def contents_of(fleet: Fleet, meant: SetPurpose, holdings: Holdings, now: datetime) -> SetContents:
    """Everything that belongs in the set, and what it lacks. `now` is an aware time."""
    gatherer = _Gatherer(fleet, holdings, now)
    if meant.domains:
        for domain in meant.domains:
            gatherer.domain(domain, meant.release)
    else:
        gatherer.release(meant)
    return gatherer.contents()


class _Gatherer:
    """Collects bundles and findings; equal ones of several domains are reported once."""

    def __init__(self, fleet: Fleet, holdings: Holdings, now: datetime) -> None:
        self.fleet, self.holdings, self.now = fleet, holdings, now
        self.bundles: dict[str, Bundle] = {}
        self.findings: dict[tuple[str, str, str], Finding] = {}

    def release(self, meant: SetPurpose) -> None:
        """Everything that a release names."""
        taken = every_variant(self.fleet.manifest_index, self.fleet.manifest_index.manifest.families)
        target = aim(self.fleet.manifest_index, self.fleet.manifest_index.release(meant.release), taken, self.holdings)
        name = meant.name if meant.kind == "domain" else f"release {meant.name}"
        self._supply(read_domain(self.fleet.reader, name, ()), target)
        self._add(target.choices.values())
        message = "what runs there is not known" if meant.kind == "domain" else "no domain was named"
        level = None if meant.kind == "domain" else Level.NOTE
        hint = "bundlekeeper inventory load FILE" if meant.kind == "domain" else "--for DOMAIN looks for stops, too"
        self._report(
            finding("not-checked", name, f"{message}: stops on the route were not looked for", hint, level=level)
        )

    def domain(self, domain: str, release: str) -> None:
        """A release's bundles of the families that a domain has, and what else the route there needs."""
        report = gaps_of(self.fleet, domain, release, self.holdings, self.now)
        for gap in report.gaps:
            self._add_gap(gap)
        state = self.fleet.state(domain)
        unsure = any(server.family is None for server in state.servers)
        families = (
            self.fleet.manifest_index.manifest.families if unsure else dict.fromkeys((INFRASTRUCTURE, *state.families))
        )
        taken = taken_by(self.fleet.manifest_index, state, families)
        target = aim(self.fleet.manifest_index, self.fleet.manifest_index.release(release), taken, self.holdings)
        stops = self._stops(domain, release, target)
        self._supply(state, ReleaseTarget(self.fleet.manifest_index, target.release, stops))
        self._add([*target.choices.values(), *stops.values()])
        self._lists(state)

    def _stops(self, domain: str, release: str, target: ReleaseTarget) -> dict[Taken, TargetChoice]:
        """The bundles that the route's steps need and the release does not name, each as a choice of its own."""
        found = route(self.fleet, domain, release, self.holdings, self.now)
        if isinstance(found, NoRoute):
            for problem in found.findings:
                if problem.code != "family-missing" or not any(key[0] == "family-missing" for key in self.findings):
                    self._report(replace(problem, hint=problem.hint or _nearest(found)))
            return {}
        own = {bundle.sha256.lower() for choice in target.choices.values() for bundle in choice.chain}
        needed = {change.sha256.lower() for step in found.steps for change in step.changes} - own
        return {
            (bundle.sha256, ""): TargetChoice(
                bundle.family, bundle.variant or "", bundle.version, bundle, (bundle,), (bundle.version,)
            )
            for bundle in self.fleet.manifest_index.manifest.bundle
            if bundle.sha256.lower() in needed
        }

    def _supply(self, state: DomainState, target: ReleaseTarget) -> None:
        case = Case(self.fleet, state, target, self.holdings, self.now, GapAnswer())
        check_supply(case)
        for gap in case.tally.gaps:
            self._add_gap(gap)

    def _add_gap(self, gap: Gap) -> None:
        if gap.code in SUPPLY or (gap.code == "not-checked" and gap.evidence.get("check") in CHECKS):
            self._report(gap.finding)

    def _report(self, found: Finding) -> None:
        self.findings.setdefault((found.code, found.subject, found.message), found)

    def _add(self, choices: Iterable[TargetChoice]) -> None:
        for choice in choices:
            for bundle in choice.chain:
                self.bundles.setdefault(bundle.sha256.lower(), bundle)

    def _lists(self, state: DomainState) -> None:
        """The list of models that a model needs: in the set, or there already."""
        manifest_index = self.fleet.manifest_index
        models = {
            (server.family, component.reading.model)
            for server in state.servers
            for component in server.components
            if server.family and component.reading.model
        }
        for kind, of, active in ((c.reading.kind, c.reading.model, c.reading.active) for c in state.infrastructure):
            if not manifest_index.facts(kind, of).lists_models:
                continue
            offers = [manifest_index.whole(bundle).get((kind, of or "")) for bundle in self.bundles.values()]
            there = [offer.image.version for offer in offers if offer is not None] + ([active] if active else [])
            for family, model in sorted((f, m) for f, m in models if f and m):
                first = manifest_index.first_list(kind, of, family, model)
                if first and not any(
                    manifest_index.scale(kind).compare(version, first[1]) in (0, 1) for version in there
                ):
                    message = f"{model} needs {kind} {first[1]} or newer, and the set has none"
                    hint = f"the infrastructure bundle of release {first[0]} brings it"
                    self._report(finding("model-unlisted", f"{state.domain}: {kind}", message, hint))

    def contents(self) -> SetContents:
        """What was gathered, bundles by family and as the manifest lists them, findings worst first."""
        place = {b.sha256.lower(): n for n, b in enumerate(self.fleet.manifest_index.manifest.bundle)}
        families = list(self.fleet.manifest_index.manifest.families)
        order = sorted(self.bundles.values(), key=lambda b: (families.index(b.family), place[b.sha256.lower()]))
        called = {f"{bundle.family} {bundle.version} ({bundle.file})": bundle.sha256.lower() for bundle in order}
        out = {called[f.subject] for f in self.findings.values() if f.code in _NOT_PACKED and f.subject in called}
        levels = list(Level)
        rows = sorted(self.findings.values(), key=lambda f: (levels.index(f.level), f.code == "not-checked"))
        return SetContents(tuple(order), tuple(rows), frozenset(out))


def _nearest(found: NoRoute) -> str:
    return f"release {found.nearest} can be reached" if found.nearest else ""
