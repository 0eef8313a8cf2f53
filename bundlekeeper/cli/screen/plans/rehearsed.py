"""A plan that was played beforehand: the state after each window, and where one would be stuck."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import next_line, put
from bundlekeeper.cli.screen.plans.progress import choices_data, put_choices
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
    total = len(found.followed.work.of)
    if played.stuck_at:
        put(f"stuck at window {played.stuck_at}; {plan.release} is reached on "
            f"{total - len(played.not_reached)} of {counted(total, 'component')}")  # fmt: skip
    elif played.not_reached:
        put(f"{plan.release} is reached except on {some(list(played.not_reached), 4)}")
    elif plan.without:
        names = some([name for name, _ in plan.without], 4)
        put(f"{plan.release} is reached except on what the plan leaves out: {names}")
    else:
        put(f"{plan.release} is reached on all {counted(total, 'component')} of the plan")
    next_line(f"bundlekeeper plan progress {found.name}")


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
