"""Several domains on their way to one release: on one screen as text, and as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import manifest_signature, output
from bundlekeeper.cli.screen.details import routes as details
from bundlekeeper.cli.screen.marks import again, marked, next_line, put, ranges
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.findings import Level
from bundlekeeper.formats.durations import hours
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.routes import DomainsTogether, PlannedDomain


def show_json(found: DomainsTogether) -> None:
    """One JSON object on stdout, domain by domain."""
    output.write_json_rows(output.enveloped("route", found.findings, found.about()), "routes", found.rows())


def show_text(found: DomainsTogether, chosen: Sequence[str], words: Mapping[str, object], *, whole: bool) -> None:
    """Print the time of all rounds together, what is wrong once for all that have it, and a line for each domain.

    `chosen` are the words that name the domains, `words` the options that were given, for the next command; with
    `whole` each round and every error is reported.
    """
    manifest_signature.tell(found.given.signature)
    if whole:
        details.show(found)
        output.line()
        table(found)
        return
    times = found.timeline
    put(f"{found.given.manifest.platform} to {found.release}: {details.headline(found)}")
    least = "this is the minimum" if times.is_shortest else f"cannot take less than {hours(times.lower_bound)}"
    counts = f"{counted(times.rounds, 'round')}, {counted(len(times.windows), 'window')}, {hours(times.makespan)}"
    if times.windows:
        put(counts if times.unplanned else f"{counts}; {least}")
    left = (row for domain in found.domains for row in domain.about_left_out)
    if rows := (*details.in_common(found.domains), *left, *found.shared):
        output.line()
        marked(rows)
    if times.unplanned:
        steps = ", ".join(f"{name} step {step}" for name, step in times.unplanned)
        put(f"steps without windows, so not in that time: {steps}")
    output.line()
    table(found)
    worst = max(found.domains, key=_how_bad)
    if found.options.windows or words.get("without"):  # alone it would have other dates; not each has that server
        next_line(again("route", *chosen, **words, details=True))
    else:
        next_line(again("route", worst.name, **words))


def table(found: DomainsTogether) -> None:
    """Print a line for each domain."""
    times = found.timeline
    rounds: dict[str, list[int]] = {}
    dates: dict[str, list[str]] = {}
    for window in times.windows:
        rounds.setdefault(window.domain, []).append(window.round)
        if window.dated is not None:
            dates.setdefault(window.domain, []).append(f"{window.dated.time():%Y-%m-%d}")
    columns: tuple[Column[PlannedDomain], ...] = (
        Column("domain", lambda domain: domain.name),
        Column("steps", lambda domain: str(len(domain.way.steps)) if domain.way else "-", right=True),
        Column("restarts", lambda domain: str(domain.way.cost[1]) if domain.way else "-", right=True),
        Column("rounds", lambda domain: ranges(rounds.get(domain.name, ()))),
        *((Column("dates", lambda domain: _dates(dates.get(domain.name, ()))),) if found.options.windows else ()),
        Column("errors", lambda domain: str(_number(domain, Level.ERROR)), right=True),
        Column("warnings", lambda domain: str(_number(domain, Level.WARNING)), right=True),
        Column("route", lambda domain: _route(found, domain)),
    )
    write(columns, found.domains)


def _number(domain: PlannedDomain, level: Level) -> int:
    return sum(finding.level is level for finding in domain.findings)


def _dates(days: Sequence[str]) -> str:
    """The first and the last day; empty for none."""
    return " to ".join(dict.fromkeys((days[0], days[-1]))) if days else ""


def _how_bad(domain: PlannedDomain) -> tuple[bool, int, int]:
    return domain.way is None, _number(domain, Level.ERROR), _number(domain, Level.WARNING)


def _route(found: DomainsTogether, domain: PlannedDomain) -> str:
    if domain.way is None:
        return f"none; nearest: {domain.nearest or 'none'}"
    return found.verdict(domain)
