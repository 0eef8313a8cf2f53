"""How far a plan is, on one screen, and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import marked, next_line, put
from bundlekeeper.cli.screen.plans.kept import about, head, left_out_of, put_left_out
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.planning.progress.types import Outcome

if TYPE_CHECKING:
    from bundlekeeper.jobs.following.progress import FollowedPlan
    from bundlekeeper.planning.progress.types import Choice, ItemProgress, PlanProgress, WindowProgress

_WORDS = {Outcome.NO_ANSWER: "did not answer", Outcome.NOT_READ_BACK: "not read back"}


def show(found: FollowedPlan, *, form: OutputForm, whole: bool) -> None:
    """Print every window, what is due next and what the rules leave."""
    progress, document = found.followed.progress, found.followed.document
    if form is OutputForm.JSON:
        output.envelope("plan-progress", found.findings, _data(found))
        return
    plan = document.plan
    put(head(found.kept) if found.kept else f"{plan.domain} to {plan.release}, plan {document.sha256[:8]}, not kept")
    marked((*found.given.findings, *found.followed.changed), plan.domain)
    columns: tuple[Column[WindowProgress], ...] = (
        Column("window", lambda row: str(row.window.number), right=True),
        Column("state", lambda row: _state(row, progress)),
        Column("when", _when),
        Column("step", lambda row: row.what),
        Column("components", _components),
    )
    write(columns, progress.windows)
    put_without_window(found)
    for row in found.stuck:
        put(f"window {row.item.window}: {_item(row)}", " !! ", "    ")
    if progress.due:
        put(f"due in window {progress.next_window}: {counted(len(progress.due), 'component')}: {_due(progress)}")
    if whole:
        for row in progress.items:
            put(f"window {row.item.window}: {_item(row)}", "  ", "    ")
    put_left_out(left_out_of(document))
    _choices(found)
    next_line(_next(found))


def put_without_window(found: FollowedPlan) -> None:
    """Print each step that has no window, so that nobody takes the plan for its whole work."""
    progress, plan = found.followed.progress, found.followed.document.plan
    steps = {row.item.step: found.followed.work.steps.get(row.item.step, "") for row in progress.unplanned}
    for step, what in steps.items():
        number = sum(row.item.step == step for row in progress.unplanned)
        put(f"step {step}: {what}: no window for {counted(number, 'component')}: bundlekeeper route {plan.domain} "
            f"--to {plan.release} --details says why", " !! ", "    ")  # fmt: skip


def _state(row: WindowProgress, progress: PlanProgress) -> str:
    if row.window.number == progress.next_window:
        return "next" if row.state == "left" else "begun"
    return row.state


def _when(row: WindowProgress) -> str:
    if not row.began:
        return row.window.dated.text() if row.window.dated else "-"
    first, last = row.began[:16].replace("T", " "), row.ended[:16].replace("T", " ")
    return first if first == last else f"{first}-{last.removeprefix(first[:11])}"


def _components(row: WindowProgress) -> str:
    done, total = row.count(Outcome.DONE), len(row.items)
    others = [
        f"{row.count(outcome)} {_WORDS.get(outcome, outcome.value)}"
        for outcome in Outcome
        if outcome not in {Outcome.DONE, Outcome.LEFT} and row.count(outcome)
    ]
    return "; ".join([f"{done} of {total} done", *others])


def _item(row: ItemProgress) -> str:
    words = f"{row.item.kind} {row.item.key} to {row.item.end}: {_WORDS.get(row.outcome, row.outcome.value)}"
    return f"{words}: {row.reason}" if row.reason else words


def _due(progress: PlanProgress) -> str:
    groups: dict[str, int] = {}
    for row in progress.due:
        word = f"{row.item.kind} to {row.item.end}{' (staged)' if row.outcome is Outcome.STAGED else ''}"
        groups[word] = groups.get(word, 0) + 1
    return some([f"{number} {word}" for word, number in groups.items()], 4)


def _choices(found: FollowedPlan) -> None:
    stuck = found.stuck
    if stuck:
        names = [f"{row.item.key}{f' (runs {row.runs})' if row.runs else ''}" for row in stuck]
        put(f"what now about {some(names, 4)}:")
        put_choices(found.choices)


def put_choices(rows: Sequence[Choice]) -> None:
    """Print each way to go on, with a letter, and what the rules say of it."""
    for letter, choice in zip("abcdefgh", rows, strict=False):
        words = [choice.text, f"{choice.minutes} min" if choice.minutes is not None else "", choice.until]
        more = len({finding.message for finding in choice.findings}) - 1
        against = (
            f"refused: {choice.findings[0].message}{f' and {more} more' if more > 0 else ''}" if choice.findings else ""
        )
        put(f"{letter}  {'; '.join(word for word in (*words, against or 'allowed') if word)}", "  ", "     ")


def _next(found: FollowedPlan) -> str:
    progress, name = found.followed.progress, found.name
    if found.kept is not None and not found.kept.is_open:
        return "bundlekeeper plan list"
    if found.followed.changed:
        plan = found.followed.document.plan
        return f"bundlekeeper route {plan.domain} --to {plan.release} --continues {name} --out FILE"
    if progress.is_over and found.kept is not None and found.kept.is_open:
        return f"bundlekeeper plan close {name} --reason done"
    if any(row.outcome is Outcome.NOT_READ_BACK for row in progress.items) and not progress.due:
        return f"bundlekeeper plan record {name} --window {_unread(progress)} --read URL"
    if found.is_refused:
        return f"bundlekeeper plan record {name} --window {min(row.item.window for row in found.stuck)}"
    if progress.next_window:
        return f"bundlekeeper plan record {name} --window {progress.next_window}"
    return f"bundlekeeper plan check {name}"


def _unread(progress: PlanProgress) -> int:
    return next(row.item.window for row in progress.items if row.outcome is Outcome.NOT_READ_BACK)


def _data(found: FollowedPlan) -> dict[str, Any]:
    progress = found.followed.progress
    return {
        **found.given.about(),
        "plan": about(found.kept) if found.kept else None,
        "sha256": found.followed.document.sha256,
        "domain": found.followed.document.plan.domain,
        "release": found.followed.document.plan.release,
        "counts": dict(progress.counts),
        "next_window": progress.next_window or None,
        "windows": [_window(row, progress) for row in progress.windows],
        "due": [row.item.key for row in progress.due],
        "without_window": [row.item.key for row in progress.unplanned],
        "choices": list(choices_data(found.choices)),
        "left_out": [{"name": n, "reason": r, "lacks": ls} for n, r, ls in left_out_of(found.followed.document)],
    }


def _window(row: WindowProgress, progress: PlanProgress) -> dict[str, Any]:
    return {
        "number": row.window.number,
        "step": row.window.step,
        "what": row.what,
        "state": _state(row, progress),
        "began": row.began or None,
        "ended": row.ended or None,
        "components": [
            {**asdict(part.item), "outcome": part.outcome.value, "reason": part.reason, "at": part.at or None,
             "reported_by": part.reported_by}
            for part in row.items
        ],
    }  # fmt: skip


def choices_data(rows: Sequence[Choice]) -> Iterator[dict[str, Any]]:
    """The choices as JSON."""
    for choice in rows:
        yield {
            "name": choice.name,
            "text": choice.text,
            "minutes": choice.minutes,
            "until": choice.until,
            "allowed": choice.is_allowed,
            "against": [finding.as_json() for finding in choice.findings],
        }
