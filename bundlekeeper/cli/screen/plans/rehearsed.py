"""A plan that was played beforehand: the state after each window, and where one would be stuck."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import next_line, put
from bundlekeeper.cli.screen.plans.kept import put_left_out
from bundlekeeper.cli.screen.plans.progress import choices_data, put_choices, put_without_window
from bundlekeeper.formats.escape import counted, some

if TYPE_CHECKING:
    from bundlekeeper.jobs.following.progress import FollowedPlan
    from bundlekeeper.planning.progress.rehearse import Rehearsal, RehearsedWindow


def show(found: FollowedPlan, played: Rehearsal, *, form: OutputForm) -> None:
    """Print each window as it would go, and the choices where one is stuck."""
    plan = found.followed.document.plan
    if form is OutputForm.JSON:
        data = {
            "sha256": found.followed.document.sha256,
            "windows": [_data(window) for window in played.windows],
            "stuck_at": played.stuck_at or None,
            "not_reached": list(played.not_reached),
            "reached": played.end.reached,
            "components": played.components,
            "left_out": [asdict(server) for server in played.end.left_out],
            "ahead": [asdict(component) for component in played.end.ahead],
            "choices": list(choices_data(played.choices)),
        }
        findings = [row for window in played.windows for row in (*window.mixture, *window.refused)]
        output.envelope("plan-rehearse", findings, data, ok=not played.stuck_at and not played.not_reached)
        return
    put(f"{plan.domain} to {plan.release}, played from today; nothing is recorded")
    for window in played.windows:
        _window(window)
    if played.choices:
        put(f"what then about {some(list(played.stuck), 4)}:")
        put_choices(played.choices)
    put_without_window(found)
    _end(played, plan.release)
    next_line(f"bundlekeeper plan progress {found.name}")


def _end(played: Rehearsal, release: str) -> None:
    """On how much the release is reached, and each thing that stays without it."""
    from bundlekeeper.jobs.planning.overview import stays_ahead

    end, total = played.end, played.components
    stuck = f"stuck at window {played.stuck_at}; " if played.stuck_at else ""
    if end.reached == total:
        put(f"{stuck}{release} is reached on all {counted(total, 'component')}")
        return
    put(f"{stuck}{release} is reached on {end.reached} of {counted(total, 'component')}")
    if played.not_reached:
        put(f"not on {some(list(played.not_reached), 4)}", "  ", "    ")
    put_left_out((server.name, server.reason, server.lacks) for server in end.left_out)
    if end.ahead:
        put(stays_ahead(end), "  ", "    ")
    left = {key for what, key in end.not_reached} - {server.server for server in end.left_out}
    if left:
        put(f"the manifest has no image of it for {some(sorted(left), 4)}", "  ", "    ")


def _window(window: RehearsedWindow) -> None:
    if window.refused:
        put(f"window {window.number}: {window.what}: cannot be begun")
        for message in dict.fromkeys(finding.message for finding in window.refused):
            put(message, " !! ", "    ")
        return
    failed = f"; {some(list(window.failed), 4)} failed" if window.failed else ""
    put(f"window {window.number}: {window.what}: {len(window.done)} done{failed}")
    put(f"runs then: {', '.join(f'{number} {word}' for word, number in window.runs.items())}", "    ", "    ")
    for message in dict.fromkeys(finding.message for finding in window.mixture):
        put(f"these may not run together: {message}", " !! ", "    ")


def _data(window: RehearsedWindow) -> dict[str, object]:
    return {
        "number": window.number,
        "what": window.what,
        "done": list(window.done),
        "failed": list(window.failed),
        "runs": dict(window.runs),
        "mixture": [finding.as_json() for finding in window.mixture],
        "refused": [finding.as_json() for finding in window.refused],
    }
