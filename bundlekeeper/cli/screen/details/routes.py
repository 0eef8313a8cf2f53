"""Several domains on their way to one release, with all that blocks each one, as text of 80 columns."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.details.route import put
from bundlekeeper.cli.screen.marks import ranges, tally
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.model.route.document import CAUTION

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.routes import DomainsTogether, PlannedDomain


def headline(found: DomainsTogether) -> str:
    """How many domains there are of each verdict: `1 ready, 4 with errors, 1 without a route; 12 errors`."""
    verdicts = ", ".join(f"{number} {verdict}" for verdict, number in found.counts.items())
    counts_text = tally(found.findings)
    return f"{verdicts}; {counts_text}" if counts_text else verdicts


def show(found: DomainsTogether) -> None:
    """Print the rounds, each domain in short, what is wrong once for all that have it, and where the detail is."""
    times, options = found.timeline, found.options
    put(f"{counted(len(found.domains), 'domain')} to {found.release}: {headline(found)}")
    for number, windows in found.rounds.items():
        for real in dict.fromkeys(window.dated for window in windows):
            mine = [window for window in windows if window.dated == real]
            here = ", ".join(f"{w.domain} (step {w.step})" for w in mine)
            when = f"{real.text()} at {real.site}: " if real is not None else ""
            put(f"round {number}: {when}{max(w.minutes for w in mine)} minutes: {here}")
    rounds: dict[str, list[int]] = {}
    for window in times.windows:
        rounds.setdefault(window.domain, []).append(window.round)
    unplanned: dict[str, list[int]] = {}
    for name, step in times.unplanned:
        unplanned.setdefault(name, []).append(step)
    for domain in found.domains:
        _tell(domain, rounds.get(domain.name, ()), unplanned.get(domain.name, ()))
    output.findings_text((*in_common(found.domains), *found.shared))
    put(
        f"{counted(times.rounds, 'round')}, {counted(len(times.windows), 'window')}, "
        f"{counted(times.makespan, 'minute')} in all; "
        f"cannot take less than {times.lower_bound}"
    )
    words = ["bundlekeeper", "route", found.domains[0].name, "--to", found.release]
    words += ["--window", str(options.window_minutes)] if options.window_minutes is not None else []
    words += ["--per-cluster", str(options.per_cluster)] if options.per_cluster != 1 else []
    put(f"each domain in full, and its file, one at a time: {shlex.join(words)}")
    put(CAUTION)


def _tell(domain: PlannedDomain, rounds: Sequence[int], unplanned: Sequence[int]) -> None:
    from bundlekeeper.jobs.planning.overview import exceptions

    way = domain.way
    if way is None:
        put(f"{domain.name}: no allowed route was found; nearest that can be reached: {domain.nearest or 'none'}")
        return
    counts = [(sum(finding.level is level for finding in domain.findings), level.value) for level in Level]
    counts_text = ", ".join(f"{number} {word}{'s' * (number > 1)}" for number, word in counts if number)
    steps = (
        f"{counted(len(way.steps), 'step')}, {counted(way.cost[1], 'server restart')}"
        if way.steps
        else exceptions(way) or "runs that release already"
    )
    when = f"; rounds {ranges(rounds)}" if rounds else ""
    put(f"{domain.name}: {steps}{when}{f'; {counts_text}' if counts_text else ''}")
    for step in unplanned:
        put(f"step {step}: no windows: what forbids them, in it or an earlier one, is reported below", 2)


def in_common(domains: Iterable[PlannedDomain]) -> Iterator[Finding]:
    """Errors, and all that is found of a domain without a route; what domains have in common is reported once, for
    all."""
    found: dict[Finding, list[str]] = {}
    for domain in domains:
        for row in domain.findings:
            if row.level is Level.ERROR or domain.way is None:
                own = f"{domain.name}: "
                subject = "" if row.subject == domain.name else row.subject.removeprefix(own)
                found.setdefault(replace(row, subject=subject), []).append(domain.name)
    for row, names in found.items():
        whose = some(names)
        is_all = row.subject == "manifest"
        yield row if is_all else replace(row, subject=f"{whose}: {row.subject}" if row.subject else whose)
