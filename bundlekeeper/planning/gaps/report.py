"""One gap and the whole answer, and the tally that collects them.

Rules: every check is counted, as made or as not made; a check that lacked a fact is a gap of its own that names the
fact, never silence; worst first: errors, warnings, notes, and within them by what stops the work soonest; equal gaps in
the order of their subjects, so that the same input gives the same list.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from typing import Any

from bundlekeeper.findings import Finding, Level, finding, is_ok
from bundlekeeper.frozen import dataclass

#: Within a level, what stops the work soonest first. Every code that gaps may find stands here.
SEVERITY = (
    "family-missing",
    "not-in-store",
    "wrong-variant",
    "bad-signature",
    "unsigned",
    "revoked-key",
    "removed-key",
    "expired-key",
    "unknown-key",
    "withdrawn",
    "model-unsupported",
    "model-unlisted",
    "jump-refused",
    "mix-refused",
    "downgrade",
    "pair-unhealthy",
    "not-enough-space",
    "unverified",
    "stale-verification",
    "self-digest",
    "expired",
    "version-unknown",
    "version-unordered",
    "mixed-server",
    "component-differs",
    "not-activated",
    "jump-unstated",
    "no-policy",
    "policy-differs",
    "policy-immediate",
    "policy-shared",
    "no-way-back",
    "not-checked",
)
_RANK = {code: place for place, code in enumerate(SEVERITY)}
_LEVELS = list(Level)

Evidence = Mapping[str, Any]  # values as JSON has them


@dataclass(frozen=True, slots=True)
class Gap:
    """One thing between here and there.

    `things` are the keys of the components it is about, empty where it is about bundles or the domain as a whole;
    `evidence` are the values that it was judged by; `sources` quote the manifest's rules.
    """

    finding: Finding
    things: tuple[str, ...] = ()
    evidence: Evidence = field(default_factory=dict)
    sources: tuple[str, ...] = ()

    @property
    def code(self) -> str:
        """The finding's code."""
        return self.finding.code

    def as_json(self) -> dict[str, Any]:
        """The finding as the JSON envelope carries it, with its evidence and sources."""
        row = self.finding.as_json()
        row["evidence"] = dict(self.evidence)
        row["sources"] = list(self.sources)
        return row


@dataclass(frozen=True, slots=True)
class GapReport:
    """Everything between a domain and a release, worst first, and how much was looked at.

    `checks` counts by name of check: how many were made, and how many could not be made for lack of a fact.
    """

    domain: str
    release: str
    gaps: tuple[Gap, ...]
    checks: Mapping[str, tuple[int, int]]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings alone, in the same order."""
        return tuple(gap.finding for gap in self.gaps)

    def judged(self, findings: Iterable[Finding]) -> GapReport:
        """The same with these findings, in the order of its own: what was accepted is a note, and notes are last."""
        gaps = (replace(gap, finding=found) for gap, found in zip(self.gaps, findings, strict=True))
        return replace(self, gaps=tuple(sorted(gaps, key=lambda gap: _LEVELS.index(gap.finding.level))))

    @property
    def ok(self) -> bool:
        """True when nothing is between: no error, no warning."""
        return is_ok(self.findings)

    @property
    def checks_made(self) -> int:
        """How many checks were made."""
        return sum(made for made, _ in self.checks.values())

    @property
    def checks_not_made(self) -> int:
        """How many checks could not be made for lack of a fact."""
        return sum(lacking for _, lacking in self.checks.values())


class Tally:
    """Collects gaps and counts checks."""

    def __init__(self) -> None:
        self.gaps: list[Gap] = []
        self._counts: dict[str, list[int]] = {}

    def made(self, check: str, times: int = 1) -> None:
        """Count a check that had all it needed, whatever it found."""
        self._counts.setdefault(check, [0, 0])[0] += times

    def add(
        self,
        code: str,
        subject: str,
        message: str,
        hint: str = "",
        *,
        level: Level | None = None,
        things: Iterable[str] = (),
        evidence: Evidence | None = None,
        sources: Iterable[str] = (),
    ) -> None:
        """Note one gap. Raises KeyError for a code that gaps do not find."""
        _RANK[code]
        found = finding(code, subject, message, hint, level)
        self.gaps.append(Gap(found, tuple(things), evidence or {}, tuple(sources)))

    def lack(
        self,
        check: str,
        subject: str,
        message: str,
        fact: str,
        *,
        hint: str = "",
        things: Iterable[str] = (),
        times: int = 1,
        level: Level | None = None,
        evidence: Evidence | None = None,
    ) -> None:
        """Note that a check could not be made (`times` over) for lack of `fact`, which is named in the text."""
        self._counts.setdefault(check, [0, 0])[1] += times
        text = f"{message} (not known: {fact})"
        more = {"check": check, "lacks": fact, **(evidence or {})}
        self.add("not-checked", subject, text, hint, level=level, things=things, evidence=more)

    def uncounted(self, check: str, times: int = 1) -> None:
        """Count a check that could not be made for a fact that another gap names already."""
        self._counts.setdefault(check, [0, 0])[1] += times

    def report(self, domain: str, release: str) -> GapReport:
        """The whole answer, worst first."""
        rows = tuple(sorted(self.gaps, key=_sorting))
        return GapReport(domain, release, rows, {name: (made, lack) for name, (made, lack) in self._counts.items()})


def _sorting(gap: Gap) -> tuple[int, int, str, str]:
    found = gap.finding
    return (_LEVELS.index(found.level), _RANK[found.code], found.subject, found.message)
