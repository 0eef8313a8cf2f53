"""Several domains on their way to one release: on one screen as text, and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import manifest_signature, output
from bundlekeeper.cli.screen.details import routes as details
from bundlekeeper.cli.screen.marks import marked, next_line, put, ranges, tally
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.findings import Level
from bundlekeeper.formats.durations import hours
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.routes import DomainsTogether, PlannedDomain


def show_json(found: DomainsTogether) -> None:
    """One JSON object on stdout, domain by domain."""
    output.write_json_rows(output.enveloped("route", found.findings, found.about()), "routes", found.rows())


def show_text(found: DomainsTogether, again: str, *, whole: bool) -> None:
    """Print a line for each domain, what is wrong once for all that have it, and the time of all rounds together.

    `again` is the command for the first domain alone; with `whole` each round and every finding is told.
    """
    manifest_signature.tell(found.given.signature)
    if whole:
        details.show(found)
        return
    times = found.timeline
    ways = sum(domain.way is not None for domain in found.domains)
    told = tally(found.findings)
    put(
        f"{found.given.manifest.platform} to {found.release}: route found for {ways} of "
        f"{counted(len(found.domains), 'domain')}{f', with {told}' if told else ''}"
    )
    least = "this is the minimum" if times.is_shortest else f"cannot take less than {hours(times.lower_bound)}"
    counts = f"{counted(times.rounds, 'round')}, {counted(len(times.windows), 'window')}, {hours(times.makespan)}"
    put(f"{counts}; {least}")
    output.line()
    rounds: dict[str, list[int]] = {}
    for window in times.windows:
        rounds.setdefault(window.domain, []).append(window.round)
    columns: tuple[Column[PlannedDomain], ...] = (
        Column("domain", lambda domain: domain.name),
        Column("steps", lambda domain: str(len(domain.way.steps)) if domain.way else "-", right=True),
        Column("restarts", lambda domain: str(domain.way.cost[1]) if domain.way else "-", right=True),
        Column("rounds", lambda domain: ranges(rounds.get(domain.name, ()))),
        Column("errors", lambda domain: _number(domain, Level.ERROR), right=True),
        Column("warnings", lambda domain: _number(domain, Level.WARNING), right=True),
        Column("route", _route),
    )
    write(columns, found.domains)
    output.line()
    marked((*details.in_common(found.domains), *found.shared))
    if times.unplanned:
        steps = ", ".join(f"{name} step {step}" for name, step in times.unplanned)
        put(f"steps without windows, so not in that time: {steps}")
    next_line(again)


def _number(domain: PlannedDomain, level: Level) -> str:
    return str(sum(finding.level is level for finding in domain.findings))


def _route(domain: PlannedDomain) -> str:
    if domain.way is None:
        return f"none; nearest: {domain.nearest or 'none'}"
    return "found" if domain.way.steps else "runs it already"
