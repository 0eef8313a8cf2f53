"""The kept plans that need attention: those that are under way, and what is next of each.

Rules: a plan that was not begun is no one's concern before one of its windows is over; one of which an input changed
always is.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.jobs.following.keep import ListedPlan
    from bundlekeeper.planning.progress.types import PlanProgress


@dataclass(frozen=True, slots=True)
class OpenPlan:
    """A kept plan that needs attention: what is next of it, and when it was begun; None where it was not."""

    finding: Finding
    since: date | None


def under_way(session: Session) -> Iterator[OpenPlan]:
    """The plans that need attention. Raises as `listed_plans`."""
    if not (session.root / ".keeper" / "plans").is_dir():
        return
    from bundlekeeper.jobs.following.keep import listed_plans
    from bundlekeeper.jobs.planning.inputs import InputFiles

    for row in listed_plans(session, InputFiles(), closed=False):
        found = _finding(session, row)
        if found is not None:
            since = min((w.began for w in row.followed.progress.windows if w.began), default="") if row.followed else ""
            yield OpenPlan(found, date.fromisoformat(since[:10]) if since else None)


def _finding(session: Session, row: ListedPlan) -> Finding | None:
    name, command = row.plan.name, f"bundlekeeper plan progress {row.plan.name}"
    if row.followed is None:
        return finding("not-checked", name, f"how far it is ({row.reason})", command)
    if row.followed.changed:
        message = f"{counted(len(row.followed.changed), 'input')} changed that the plan did not change"
        return finding("input-changed", name, message, command)
    progress = row.followed.progress
    over = [
        window.window.number for window in progress.windows
        if window.window.dated is not None
        and window.window.dated.time(window.window.dated.minutes) <= session.now()
        and window.state in ("left", "begun")
    ]  # fmt: skip
    words = [f"window {over[0]} is over and not recorded"] if over else []
    if row.followed.is_begun:
        words.append(next_of(progress))
    return finding("plan-due", name, "; ".join(words), command) if words else None


def next_of(progress: PlanProgress) -> str:
    """What is next: `window 2 of 4 is next; 1 component failed in window 1`."""
    number = progress.next_window
    if number:
        words = [f"window {number} of {len(progress.windows)} is next"]
    else:
        words = ["it is done, and not closed" if progress.is_over else "every window is recorded"]
    words += stuck_of(progress)
    unread = progress.counts["not-read-back"]
    words += [f"{counted(unread, 'part')} not read back"] if unread and not number else []
    return "; ".join(words)


def stuck_of(progress: PlanProgress) -> Iterator[str]:
    """What somebody must decide about, by window: `1 component failed in window 1`."""
    for window in progress.windows:
        stuck = [row for row in progress.stuck if row.item.window == window.window.number]
        if stuck:
            what = "failed" if any(row.outcome.value == "failed" for row in stuck) else "did not answer"
            yield f"{counted(len(stuck), 'component')} {what} in window {window.window.number}"
