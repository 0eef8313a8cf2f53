"""One window as its sheet: what is done before it and first, a row for each server or component, and every action.

Rules: a column is what a person does and ticks; what a policy does by itself has no box, and is verified; times are the
clock of the site where the window has a date, else minutes from its begin; like actions are one in the details.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.formats.durations import clock, hours
from bundlekeeper.formats.escape import counted, human_bytes, some
from bundlekeeper.model.vocabulary import INFRASTRUCTURE, STAGED_METHODS
from bundlekeeper.planning.windows.types import CHECKS, VERBS, Action, Window
from bundlekeeper.reports.pictures.space import SpaceBar
from bundlekeeper.reports.pictures.timeline import alike, timeline
from bundlekeeper.reports.runbook import ActionRow, RunbookText, SheetCell, SheetRow, WindowSheet

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.material import Material
    from bundlekeeper.planning.route.space import SpaceUse
    from bundlekeeper.planning.route.types import Step, StepChange
    from bundlekeeper.planning.route.way_back import WayBack

BY = {"operator": "by an operator", "policy": "by policy"}
#: What is ticked for a server or component, column by column: its verbs with the words of each. What is not here a
#: policy does by itself, or is recorded at the end.
_COLUMNS: tuple[dict[str, str], ...] = (
    {"note-paths": "paths before"},
    {"move-workload": "workload moved off"},
    {"assign-policy": "policy assigned", "edit-policy": "policy edited"},
    {"check-window": "platform's window open"},
    {"confirm": "update started", "restart": "restarted"},
    {"remove": "removed"},
    {"stage": "staged"},
    {"swap-lead": "lead swapped"},
    {"activate": "activated", "write": "written", "level": "brought level"},
    {"wait-for-manager": "manager answers", "wait-for-paths": "every path back"},
    {"verify": "runs, read back"},
    {"compare-paths": "paths after"},
    {"return-workload": "workload given back"},
)
_PLACES = {verb: number for number, words in enumerate(_COLUMNS) for verb in words}
_FIELDS = frozenset({"note-paths", "compare-paths"})  # what is written down, not ticked
_VERIFY = {
    "check-backup": "the backup is there, and was read back",
    "check-pairs": "each pair reports it itself",
    "check-faults": "the manager lists none",
    "check-paths": "each path is up, seen from both ends",
    "note-paths": "written down; needed again at the end",
    "remove-settings": "the older version's list of settings has them all",
    "remove": "the component's own list of files no longer has it, and still has the running one",
    "stage": "the component itself reports the staged image; read its digest back where it can report it",
    "activate": "the component comes back; its version is verified below",
    "write": "the component comes back; its version is verified below",
    "level": "both halves report the same version",
    "swap-lead": "the other half reports that it leads",
    "wait-for-manager": "the manager answers",
    "wait-for-paths": "every path is redundant again; nothing else goes down before",
    "move-workload": "nothing runs on it, and it gets no new work",
    "edit-policy": "the policy names the version, and nothing applied by itself",
    "assign-policy": "the server names that policy, and nothing applied by itself",
    "confirm": "the pending change is the expected one",
    "start-window": "the window is open, and the servers restart",
    "check-window": "the window is open, and ends after the restart",
    "restart": "the server comes back",
    "apply": "the component reports no failed update; its version is verified below",
    "compare-paths": "the path count is the one from before",
    "return-workload": "it gets new work, and the others may go",
    "record": "bundlekeeper where shows it",
}
#: Actions that are recorded, each with the command that does it.
_RECORDED: dict[str, tuple[str, ...]] = {
    "stage": ("stage",),
    **dict.fromkeys(("activate", "write", "level", "apply"), ("activate",)),
    "verify": ("observe",),
}
_REMOVAL = "none, but to bring that image there again"
_STAGING = "nothing runs it yet, so nothing goes back; what was in the spare bank before is overwritten"


def window_sheet(of: Material, step: Step, window: Window) -> WindowSheet:
    """The sheet of one window. Raises InputError for a time zone that this machine does not know."""
    number = of.windows_in_all
    domain = of.planned.route.domain
    own = next((f"{c.site}/{domain}/" for c in of.given.inventory.components if c.domain == domain), "")
    time = timer(window)
    called = of.called
    names = {action.subject.split(": ")[0]: _row_name(action, own, called) for action in window.work}
    bars = alike(replace(bar, label=names[bar.label]) for bar in of.planned.bars(window))
    columns, rows = _table(window, time, own, called)
    length = max(1, window.minutes)
    return WindowSheet(
        f"Window {window.number} of {number}: {what(step, window)}",
        f"window {window.number} of {number}",
        when(of, window),
        hours(window.minutes),
        time(window.turn_back),
        window.turn_back_reason,
        _message(of, window),
        tuple(_staging(window)),
        tuple(_first(of, window, time)),
        timeline(bars, length, min(window.turn_back, length), time),
        tuple(bars),
        window.minutes,
        tuple(_space(of, step)),
        columns,
        rows,
        tuple(_actions(of, step, window, time)),
    )


def timer(window: Window) -> Callable[[int], str]:
    """How a minute of the window is worded."""
    return window.dated.clock if window.dated is not None else clock


def when(of: Material, window: Window) -> str:
    """When it is, for people. Raises InputError for a time zone that this machine does not know."""
    if window.dated is None:
        again = "its own is over, agree on one; " if of.options.windows else ""
        return f"no date: {again}hours and minutes from its begin"
    note = f" ({window.dated.note})" if window.dated.note else ""
    return f"{window.dated.text()}{note}"


def what(step: Step, window: Window) -> str:
    """What is done in a window: `infrastructure to 6.1.0`, `12 of 40 servers to 6.1`."""
    if step.what == INFRASTRUCTURE:
        return f"infrastructure to {step.name}"
    every = {server for change in step.changes for server in change.servers}
    here = {action.key for action in window.actions if action.verb == "record" and action.key in every}
    if not here:
        return f"what comes before {counted(len(every), 'server')} to {step.name}"
    number = (
        f"{len(here)} of {counted(len(every), 'server')}" if len(here) < len(every) else counted(len(every), "server")
    )
    return f"{number} to {step.name}"


def _message(of: Material, window: Window) -> str:
    limit = window.dated.minutes if window.dated is not None else of.options.window_minutes
    within = f"The window is {hours(limit)} long." if limit is not None else ""
    apart = f"Never at the same time as a window of {', '.join(window.apart_from)}." if window.apart_from else ""
    return " ".join(words for words in (within, apart) if words)


def _staging(window: Window) -> Iterator[RunbookText]:
    """One tick for like components that are brought the same version."""
    groups: dict[tuple[str, str], list[Action]] = {}
    for action in window.staging:
        groups.setdefault((action.kind, action.version), []).append(action)
    for (kind, version), actions in groups.items():
        names = ", ".join(action.subject.removeprefix(f"{kind} ") for action in actions)
        minutes = max(action.minutes for action in actions)
        yield RunbookText(f"{kind} {version} is on {names} ({minutes} min each)", "")


def _is_first(action: Action) -> bool:
    return action.subject.startswith(("domain ", "policy "))


def _first(of: Material, window: Window, time: Callable[[int], str]) -> Iterator[RunbookText]:
    """What is checked again, because another day may have come between, and what concerns no single component."""
    times = of.planned.timeline
    first, minutes = times.again(window)
    if first:
        checks = next(w for w in times.windows if w.number == first).work
        words = "; ".join(VERBS[action.verb] for action in checks if action.verb in CHECKS)
        yield RunbookText(
            f"before it, again: {words}", f"{hours(minutes)} that are not in the window; who, when: ________"
        )
    for action in window.work:
        if _is_first(action):
            note = f" {action.note}" if action.note else ""
            about = f" ({action.subject})" if action.policy else ""
            yield RunbookText(f"{time(action.start)} {VERBS.get(action.verb, action.verb)}{about}{note}", "")


def _table(
    window: Window, time: Callable[[int], str], own: str, called: Mapping[str, str]
) -> tuple[tuple[str, ...], tuple[SheetRow, ...]]:
    """The columns and rows: what is done to each server or component, and when."""
    rows: dict[str, dict[int, Action]] = {}
    words: dict[int, dict[str, None]] = {}
    for action in window.work:
        place = _PLACES.get(action.verb)
        if place is None or _is_first(action):
            continue
        rows.setdefault(_row_name(action, own, called), {}).setdefault(place, action)
        words.setdefault(place, {})[_COLUMNS[place][action.verb]] = None
    order = sorted(words)

    def cell(actions: dict[int, Action], place: int) -> SheetCell:
        if place not in actions:
            return SheetCell("", field=False)
        action = actions[place]
        return SheetCell(action.version if action.verb == "verify" else time(action.start), action.verb in _FIELDS)

    shown, head = [], ""
    for name, actions in rows.items():
        kind = name.partition(" ")[0] + " "
        short = name.removeprefix(kind) if kind == head else name  # the kind is said once for rows one below the other
        shown.append(SheetRow(short, tuple(cell(actions, place) for place in order)))
        head = kind
    return tuple(" or ".join(words[place]) for place in order), tuple(shown)


def _row_name(action: Action, own: str, called: Mapping[str, str]) -> str:
    """The server within the domain, whose place is `own`, and its name; or the component, its kind said once."""
    head = action.subject.split(": ")[0]
    if head.startswith("server "):
        return head.replace(own, "", 1) + (f" {called[head]}" if head in called else "")
    parent, is_of, place = head.partition(f":{action.kind}:") if action.kind else (head, "", "")
    return f"{parent} {place}" if is_of else head


def _space(of: Material, step: Step) -> Iterator[SpaceBar]:
    """The partitions that this step brings images to, each half's."""
    for use in of.space:
        loads = [load for number, load in use.loads if number == step.number]
        if loads:
            yield _bar(use, loads[-1].version)


def _bar(use: SpaceUse, version: str) -> SpaceBar:
    size, plan = use.partition.size_bytes or 0, use.plan
    mine = [s for s in plan.steps if s.version == version]
    gone = [file for before, file in plan.remove if before == version]
    words = [f"remove {file.name} first ({human_bytes(file.size_bytes)})" for file in gone]
    needs, free = max((s.needs_bytes for s in mine), default=0), min((s.free_bytes for s in mine), default=None)
    short = max((s.short_bytes for s in mine), default=0)
    if free is None:
        words.append(f"not known: {some(plan.lacks)}" if plan.lacks else f"{version} is there already")
    else:
        words.append(f"{human_bytes(free)} free, {version} needs {human_bytes(needs)}")
    words += [f"{human_bytes(short)} short"] * bool(short)
    used = max(0, min(100, 100 - round(100 * (free or 0) / size))) if size and free is not None else 0
    share = max(0, min(100 - used, round(100 * needs / size))) if size else 0
    label = f"{use.key} {use.partition.name}{f', {human_bytes(size)}' if size else ''}"
    return SpaceBar(label, str(used), str(share), "; ".join(words), bool(short) or bool(plan.lacks))


def _actions(of: Material, step: Step, window: Window, time: Callable[[int], str]) -> Iterator[ActionRow]:
    """Every action, like ones as one: of one bundle, and what is read back as what took effect together."""
    groups: dict[tuple[object, ...], list[Action]] = {}
    took_effect: dict[str, tuple[object, ...]] = {}
    for action in window.actions:
        change = _change(step, action)
        like: tuple[object, ...] = (action.verb, action.kind, action.version, action.minutes, action.down)
        like += (action.method, action.policy, action.note, change.file if change is not None else "")
        if "activate" in _RECORDED.get(action.verb, ()):
            took_effect[action.key] = like
        elif action.verb == "verify":
            like += took_effect.get(action.key, ())
        groups.setdefault(like, []).append(action)
    for actions in groups.values():
        yield _action(of, step, actions, time)


def _action(of: Material, step: Step, actions: Sequence[Action], time: Callable[[int], str]) -> ActionRow:
    action = actions[0]
    method = ", ".join(word for word in (action.method, BY.get(action.applied_by, "")) if word)
    words = (method, f"policy {action.policy}" if action.policy else "", action.note)
    begins = "before" if action.start < 0 else time(action.start)
    later = f" to {time(actions[-1].start)}" if actions[-1].start > action.start else ""
    names = ", ".join(_names(actions))
    return ActionRow(
        begins + later,
        f"{'~' if action.assumed else ''}{action.minutes} min",
        VERBS.get(action.verb, action.verb),
        f"{names}{f' {action.version}' if action.version else ''}",
        "; ".join(word for word in words if word),
        action.down,
        f"it reports {action.version}"
        if action.verb == "verify" and action.version
        else _VERIFY.get(action.verb, "done"),
        _command(of, step, actions),
        _way(of.planned.back, step, actions),
    )


def _names(actions: Iterable[Action]) -> Iterator[str]:
    """The subjects, of which only the first has the words that all begin with."""
    rows = [action.subject for action in actions]
    head = rows[0].rpartition(" ")[0] + " "
    yield rows[0]
    yield from (row.removeprefix(head) for row in rows[1:])


def _way(back: Iterable[WayBack], step: Step, actions: Sequence[Action]) -> str:
    if actions[0].verb == "stage":
        return _STAGING
    if actions[0].verb == "remove":
        return _REMOVAL
    if actions[0].verb not in ("activate", "write", "apply", "restart"):
        return ""
    ways = (way for way in back if way.step == step.number and actions[0].key in way.keys)
    return next((f"{way.how}; until when: see the ways back from this step" for way in ways), "")


def _command(of: Material, step: Step, actions: Sequence[Action]) -> str:
    """The command that records them where they are done: one, or a shell's loop over their names.

    What takes effect is recorded before the version is read back, so that the reading is evidence of it. A policy
    brings an image and activates it in one: both are recorded.
    """
    action = actions[0]
    change = _change(step, action)
    if change is None or action.verb not in _RECORDED:
        return ""
    plan = ' --plan "$PLAN"' if of.sha256 else ""
    bundle = ("--bundle", _bundle(of, change))
    verbs = _RECORDED[action.verb]
    if action.verb == "apply" and action.method in STAGED_METHODS:
        verbs = ("stage", *verbs)
    keys = [a.key for a in actions]
    name = shlex.quote(keys[0]) if len(keys) == 1 else '"$name"'

    def words(verb: str) -> str:
        read = verb == "observe"
        options = shlex.join(("--active", action.version) if read else bundle)
        return f"bundlekeeper {verb} {name} {options}{'' if read else plan}"

    commands = " && ".join(words(verb) for verb in verbs)
    return commands if len(keys) == 1 else f"for name in {shlex.join(keys)}; do {commands}; done"


def _change(step: Step, action: Action) -> StepChange | None:
    """What of the step changes the action's component."""
    return next((c for c in step.changes for component in c.components if action.key in component.keys), None)


def _bundle(of: Material, change: StepChange) -> str:
    """How a bundle is named to a command: by its file where its version has several."""
    named = [
        b for b in of.fleet.manifest_index.manifest.bundle if (b.family, b.version) == (change.family, change.version)
    ]
    return change.file if len(named) > 1 else f"{change.family}/{change.version}"
