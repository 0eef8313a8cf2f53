"""Plans that are kept, listed, shown and closed, as text and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import next_line, put, ranges, tally
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.durations import clock
from bundlekeeper.formats.escape import some

if TYPE_CHECKING:
    from bundlekeeper.jobs.following.keep import ListedPlan, PlanKept, ShownPlan
    from bundlekeeper.model.route.document import RouteDocument
    from bundlekeeper.model.route.planned_work import PlannedWork
    from bundlekeeper.store.contents.kept_plans import KeptPlan


def about(plan: KeptPlan) -> dict[str, Any]:
    """A kept plan's record as JSON."""
    return {
        "sha256": plan.sha256,
        "name": plan.name,
        "domain": plan.domain,
        "release": plan.release,
        "kept_at": plan.kept_at.isoformat(timespec="seconds"),
        "reported_by": plan.reported_by,
        "change": plan.change,
        "approved_by": plan.approved_by,
        "continues": plan.continues or None,
        "closed": None
        if plan.closed_at is None
        else {
            "at": plan.closed_at.isoformat(timespec="seconds"),
            "reported_by": plan.closed_by,
            "reason": plan.reason,
        },
    }


def head(plan: KeptPlan) -> str:
    """A kept plan in a line: `holm-b to 6.1, plan f3d7a1c4, change 118, approved by lee`."""
    words = [f"{plan.domain} to {plan.release}", f"plan {plan.sha256[:8]}"]
    words += [f"change {plan.change}"] if plan.change else []
    words += [f"approved by {plan.approved_by}"] if plan.approved_by else ["not approved by anybody"]
    words += [f"continues {plan.continues[:8]}"] if plan.continues else []
    if plan.closed_at is not None:
        words.append(f"closed {plan.closed_at:%Y-%m-%d %H:%M}Z by {plan.closed_by}: {plan.reason}")
    return ", ".join(words)


def put_left_out(rows: Iterable[tuple[str, str, Sequence[str]]]) -> None:
    """Print each server that is left out: its name, and why, or which facts about it are not known."""
    for name, reason, lacks in rows:
        put(f"left out: server {name}: {reason or f'{some(lacks)} not known'}", "  ", "    ")


def left_out_of(document: RouteDocument) -> Iterator[tuple[str, str, Sequence[str]]]:
    """Each server that a plan leaves out: its name, the reason, and which facts are not known."""
    for row in (document.raw.get("route") or {}).get("left_out") or ():
        yield str(row["name"]), str(row["reason"]), tuple(map(str, row["lacks"]))


def show_kept(done: PlanKept, *, form: OutputForm) -> None:
    """That a plan is kept, and what is against it."""
    plan = done.plan
    if form is OutputForm.JSON:
        closed = about(done.continued) if done.continued is not None else None
        output.envelope("plan-keep", done.findings, {"plan": about(plan), "new": done.is_new, "continued": closed})
        return
    put(f"{'kept' if done.is_new else 'kept already'} as {plan.name}: {head(plan)}")
    if done.continued is not None:
        put(f"plan {done.continued.name} ({done.continued.sha256[:8]}) is closed: {done.continued.reason}")
    counts = tally(done.findings)
    if counts:
        see = f"bundlekeeper report --runbook --plan {plan.name} --out FILE has all of them"
        put(output.of_store(f"with the gaps of today it has {counts}: {see}"))
    next_line(f"bundlekeeper plan progress {plan.name}")


COLUMNS: tuple[Column[ListedPlan], ...] = (
    Column("plan", lambda row: row.plan.name),
    Column("digest", lambda row: row.plan.sha256[:8]),
    Column("change", lambda row: row.plan.change or "-"),
    Column("approved by", lambda row: row.plan.approved_by or "-"),
    Column("state", lambda row: _state(row)),
)


def _state(row: ListedPlan) -> str:
    from bundlekeeper.jobs.following.open_plans import next_of

    if not row.plan.is_open:
        return "closed"
    if row.followed is None:
        return f"not known: {row.reason}" if row.reason else "not known"
    if row.followed.changed:
        return "input-changed"
    progress = row.followed.progress
    if progress.is_over:
        return "done"
    return next_of(progress)


def show_list(rows: Sequence[ListedPlan], *, form: OutputForm) -> None:
    """Each kept plan with how far it is."""
    if form is OutputForm.JSON:
        data = [
            {
                **about(row.plan),
                "state": _state(row),
                "next_window": row.followed.progress.next_window or None if row.followed else None,
                "counts": dict(row.followed.progress.counts) if row.followed else None,
            }
            for row in rows
        ]
        output.envelope("plan-list", [], {"plans": data})
        return
    if not rows:
        output.line("no open plan is kept (closed ones: --all)")
        next_line("bundlekeeper route DOMAIN --to RELEASE --out FILE, then bundlekeeper plan keep FILE")
        return
    write(COLUMNS, rows)
    next_line(f"bundlekeeper plan progress {rows[0].plan.name}")


@dataclass(frozen=True, slots=True)
class _StepInShort:
    number: int
    what: str
    windows: tuple[int, ...]
    minutes: int
    components: int


def _step(work: PlannedWork, number: int) -> _StepInShort:
    windows = [window for window in work.windows if window.step == number]
    components = sum(item.step == number for item in work.items)
    numbers, minutes = tuple(window.number for window in windows), sum(window.minutes for window in windows)
    return _StepInShort(number, work.steps[number], numbers, minutes, components)


_STEP_COLUMNS: tuple[Column[_StepInShort], ...] = (
    Column("step", lambda row: str(row.number), right=True),
    Column("window", lambda row: ranges(row.windows), right=True),
    Column("what", lambda row: row.what),
    Column("components", lambda row: str(row.components), right=True),
    Column("time", lambda row: clock(row.minutes) if row.windows else "-", right=True),
)


def show_plan(found: ShownPlan, *, form: OutputForm) -> None:
    """A plan's steps and windows as they were planned."""
    plan, work = found.document.plan, found.work
    if form is OutputForm.JSON:
        data: dict[str, Any] = {"plan": about(found.kept) if found.kept else None, "sha256": found.document.sha256}
        rows = [asdict(_step(work, number)) for number in work.steps]
        dates = [{"window": window.number, **asdict(window.dated)} for window in work.windows if window.dated]
        data |= {"domain": plan.domain, "release": plan.release, "steps": rows, "dates": dates}
        output.envelope("plan-show", [], data)
        return
    put(head(found.kept) if found.kept else f"{plan.domain} to {plan.release}, sha256 {found.document.sha256}")
    write(_STEP_COLUMNS, [_step(work, number) for number in work.steps])
    for window in work.windows:
        if window.dated is not None:
            note = f" ({window.dated.note})" if window.dated.note else ""
            put(f"window {window.number}: {window.dated.text()}{note}", "  ", "    ")
    put_left_out(left_out_of(found.document))
    next_line(f"bundlekeeper plan progress {found.name}")


def show_closed(plan: KeptPlan, *, form: OutputForm) -> None:
    """That a plan is closed."""
    if form is OutputForm.JSON:
        output.envelope("plan-close", [], {"plan": about(plan)})
        return
    put(head(plan))
