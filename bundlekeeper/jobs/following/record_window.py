"""The record of a whole window of a plan in one batch: what was done, what was not, and what was seen.

Rules: what is recorded as done is what somebody reports; a running version is recorded only from what was seen, by a
management service now or in a sheet; a component that is read at another version than the window brings is recorded as
failed, and as it was read; whatever is not named as an exception is asked for, or agreed to with --yes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.jobs.following.progress import FollowedPlan, followed_plan
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.planning.inputs import InputFiles
from bundlekeeper.jobs.recording.planned import PlannedRecord, record_planned
from bundlekeeper.jobs.recording.record import RecordingDone
from bundlekeeper.jobs.recording.statements import RecordDetails
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.formats.moments import Moment
    from bundlekeeper.model.route.planned_work import WorkItem
    from bundlekeeper.model.route.window_sheet import SeenRow
    from bundlekeeper.planning.progress.compare import Same
    from bundlekeeper.planning.progress.types import ItemProgress

_OUTCOMES = ("failed", "skipped", "no-answer")


@dataclass(frozen=True, slots=True)
class ExceptionOf:
    """What became of components otherwise than planned: `failed`, `skipped` or `no-answer`, with the reason; `name` is
    what they were called, `keys` are theirs."""

    name: str
    keys: frozenset[str]
    outcome: str
    reason: str


@dataclass(frozen=True, slots=True)
class OpenWindow:
    """A window with the parts that may be recorded, those of which only a reading is lacking, and those that were
    skipped, which may be recorded after all. `out_of_turn` is what speaks against recording it now."""

    plan: FollowedPlan
    number: int
    open: tuple[ItemProgress, ...]
    unread: tuple[ItemProgress, ...]
    skipped: tuple[ItemProgress, ...] = ()
    out_of_turn: tuple[str, ...] = ()

    @property
    def done(self) -> dict[str, str]:
        """The version of each component of the window that was read back."""
        items = self.plan.followed.progress.items
        return {
            row.item.key: row.item.end
            for row in items
            if row.item.window == self.number and row.outcome.value == "done"
        }

    @property
    def expected(self) -> dict[str, str]:
        """The version that each component should run after the window."""
        return {row.item.key: row.item.end for row in (*self.open, *self.unread, *self.skipped)}


@dataclass(frozen=True, slots=True)
class WindowRecorded:
    """What was recorded of a window; `differs` are components that were read at another version (component, seen,
    expected), `unread` those that nobody read."""

    done: RecordingDone
    differs: tuple[tuple[str, str, str], ...]
    unread: tuple[str, ...]


def open_window(session: Session, name: str, number: int, anyway: str = "") -> OpenWindow:
    """A window of a plan that is still true. Raises InputError; RefusedError where its inputs changed, unless `anyway`
    says why it is recorded all the same."""
    from bundlekeeper.jobs.planning.followed import insist_unchanged
    from bundlekeeper.planning.progress.types import Outcome

    plan = followed_plan(session, name, InputFiles())
    if plan.kept is not None and not plan.kept.is_open:
        raise InputError(f"the plan is closed: {plan.kept.reason}", where=name, hint="bundlekeeper plan list")
    plan.followed.work.window(number)
    if not anyway.strip():
        insist_unchanged(plan.followed, name, "; what was done all the same: --anyway REASON records it")
    mine = [row for row in plan.followed.progress.items if row.item.window == number]
    over = {Outcome.DONE, Outcome.SKIPPED, Outcome.NOT_READ_BACK}
    open_ = tuple(row for row in mine if row.outcome not in over)
    unread = tuple(row for row in mine if row.outcome is Outcome.NOT_READ_BACK)
    skipped = tuple(row for row in mine if row.outcome is Outcome.SKIPPED)
    against = list(_out_of_turn(session, plan, number)) if open_ else []
    against += ["its inputs changed"] if plan.followed.changed else []
    return OpenWindow(plan, number, open_, unread, skipped, tuple(against))


def _out_of_turn(session: Session, plan: FollowedPlan, number: int) -> Iterator[str]:
    """What speaks against it that a window was done: work of an earlier one is open, or it has not begun."""
    from bundlekeeper.planning.progress.types import OPEN

    for window in plan.followed.progress.windows:
        left = sum(row.outcome in OPEN for row in window.items)
        if left and window.window.number < number:
            yield f"window {window.window.number} is not recorded: {counted(left, 'component')} left in it"
    dated = plan.followed.work.window(number).dated
    if dated is not None and dated.time() > session.now():
        yield f"window {number} has not begun: {dated.text()}"


def exceptions_of(window: OpenWindow, texts: Sequence[str]) -> list[ExceptionOf]:
    """Each exception. Raises InputError, also where two of them are about one component."""
    found: list[ExceptionOf] = []
    for text in texts:
        found.append(exception_of(window, text, found))
    return found


def insist_on_turn(window: OpenWindow, anyway: str) -> None:
    """Refuse a window whose turn it is not, unless there is a reason. Raises RefusedError."""
    if window.out_of_turn and not anyway.strip():
        due = window.plan.followed.progress.next_window
        hint = f"is it window {due}? " if due not in (0, window.number) else ""
        hint += 'if it was done: --anyway "the reason", which is recorded'
        message = f"refused, nothing was recorded: {'; '.join(window.out_of_turn)}"
        raise RefusedError(message, where=window.plan.name, hint=hint)


def exception_of(window: OpenWindow, text: str, before: Sequence[ExceptionOf] = ()) -> ExceptionOf:
    """An exception as people write it: `SERIAL=failed:REASON`, `=skipped:REASON`, `=no-answer`, or a server by what it
    is called or its chassis and slot. Raises InputError, also where one of those `before` is about the same."""
    name, equals, rest = text.partition("=")
    outcome, _, reason = rest.partition(":")
    outcome, reason = outcome.strip(), reason.strip()
    hint = "SERIAL=failed:REASON, SERIAL=skipped:REASON, SERIAL=no-answer"
    if not name or not equals or outcome not in _OUTCOMES:
        raise InputError(f"this is no exception: {text}", hint=hint)
    if not reason.isprintable():
        raise InputError(f"{name}: the reason has characters that cannot be printed", hint="write it in one line")
    if not reason and outcome != "no-answer":
        raise InputError(f"{name}: why it {'failed' if outcome == 'failed' else 'was skipped'} is missing", hint=hint)
    keys = _keys_of(window, name)
    for other in before:
        if twice := sorted(keys & other.keys):
            message = f"{twice[0]} is excepted twice: by {other.name} and {name}"
            raise InputError(message, hint="one --except for each component")
    return ExceptionOf(name, keys, outcome, reason)


def _keys_of(window: OpenWindow, name: str) -> frozenset[str]:
    """The open components of the window that a name means. Raises InputError where there are none, or it means several
    servers."""
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.fleet.manifest_index import near
    from bundlekeeper.planning.route.left_out import labels

    plan = window.plan

    def is_meant(item: WorkItem) -> bool:
        return name in (item.key, item.server, item.place)

    items = [item for item in plan.followed.work.items if is_meant(item)]
    if not items:
        state = Fleet(plan.given.manifest, plan.given.inventory).state(plan.followed.document.plan.domain)
        servers = sorted({server.key for server in state.servers if name in labels(server)})
        if len(servers) > 1:
            raise InputError(f"{name} means {len(servers)} servers", hint=f"name one by its serial: {some(servers)}")
        items = [item for item in plan.followed.work.items if item.server in servers]
    mine = {row.item.key for row in window.open} & {item.key for item in items}
    if not mine and items and window.number not in {item.window for item in items}:
        raise InputError(f"{name} is not in window {window.number}", hint=f"it is in window {items[0].window}")
    if not mine:
        known = [row.item.key for row in window.open]
        raise InputError(f"nothing is left to record of {name!r} in window {window.number}",
                         hint=near(name, dict.fromkeys(known)) or f"{some(known, 4)}")  # fmt: skip
    return frozenset(mine)


def record_window(
    session: Session,
    window: OpenWindow,
    exceptions: Sequence[ExceptionOf],
    details: RecordDetails,
    seen: Mapping[str, SeenRow],
    source: str,
    *,
    dry_run: bool,
) -> WindowRecorded:
    """Record a window in one batch. `seen` are readings by component, from `source` (empty: a sheet).

    Raises InputError where nothing is left to record; as `record_planned`.
    """
    plan = window.plan
    kept = plan.kept
    details = replace(
        details,
        note=details.note or (f"out of turn: {details.anyway}" if window.out_of_turn else ""),
        plan=plan.followed.document.sha256,
        change=details.change or (kept.change if kept else ""),
        approved_by=details.approved_by or (kept.approved_by if kept else ""),
    )
    rows, differs, unread = [], [], []
    same = _same(plan)
    alone = not window.open and not seen  # then nothing else can be meant
    again = [row for row in window.skipped if alone or row.item.key in seen]
    for row in (*window.open, *window.unread, *again):
        planned = _planned(window, row, exceptions)
        reading = seen.get(row.item.key)
        if reading is not None:
            ends = [item.end for item in plan.followed.work.of[row.item.key] if item.step >= row.item.step]
            is_there = any(same(row.item.kind, reading.seen, end) for end in ends)
            if not is_there and row not in again:
                differs.append((row.item.key, reading.seen, row.item.end))
            if not is_there and planned.outcome == "activated":
                planned = replace(planned, outcome="failed", reason=f"read back as {reading.seen}")
            if is_there and planned.outcome in ("failed", "no-answer"):
                planned = replace(planned, outcome="activated", reason="")
            planned = replace(
                planned, seen=reading.seen, seen_at=reading.time or None, seen_by=reading.reported_by or None,
                source=source, note=reading.note, after=_after(window, row),
            )  # fmt: skip
            if row in again and not is_there:
                planned = replace(planned, outcome="")  # it stays skipped
        elif planned.outcome in ("activated", ""):
            unread.append(row.item.key)
        if planned.outcome or planned.seen is not None:
            rows.append(planned)
    if not rows:
        hint = "--read URL or --sheet FILE records what was seen" if window.unread else "bundlekeeper plan progress"
        raise InputError(f"nothing of window {window.number} is left to record", hint=hint)
    done = record_planned(session, rows, details, dry_run=dry_run)
    return WindowRecorded(done, tuple(differs), tuple(unread))


def _after(window: OpenWindow, row: ItemProgress) -> tuple[tuple[Moment, str], ...]:
    """What a reading of a component that should be evidence of its part cannot be older than."""
    from bundlekeeper.formats import moments
    from bundlekeeper.jobs.planning.followed import made_at

    made = (made_at(window.plan.followed.document), "the plan was made")
    if row not in window.unread or not row.at:
        return (made,)
    return made, (moments.moment(moments.parse(row.at), "UTC"), "it was activated")


def _planned(window: OpenWindow, row: ItemProgress, exceptions: Sequence[ExceptionOf]) -> PlannedRecord:
    item = row.item
    if row in window.unread:
        return PlannedRecord(item.key, item.file, item.end, "")
    for exception in exceptions:
        if item.key in exception.keys:
            return PlannedRecord(item.key, item.file, item.end, exception.outcome, exception.reason)
    return PlannedRecord(item.key, item.file, item.end, "activated")


def _same(plan: FollowedPlan) -> Same:
    from bundlekeeper.planning.fleet.manifest_index import ManifestIndex

    index = ManifestIndex(plan.given.manifest)

    def same(kind: str, a: str, b: str) -> bool:
        return index.scale(kind).same(a, b)

    return same


@dataclass(frozen=True, slots=True)
class ReadServices:
    """The management services to ask, and who logs in; `password` is asked for once."""

    urls: tuple[str, ...] = ()
    user: str | None = None
    netrc: Path | None = None
    ca: Path | None = None
    map_file: str | None = None
    http_on_loopback: bool = False
    password: Callable[[], str] = str


def seen_of(
    session: Session, window: OpenWindow, services: ReadServices, sheet: str | None
) -> tuple[dict[str, SeenRow], str]:
    """What was seen, by component, and its source: from the services, asked now, or from a sheet, or nothing.

    Raises InputError; where a service cannot be read, its own error.
    """
    if services.urls:
        return _seen_by_services(session, window, services), ", ".join(services.urls)
    return (_seen_in_sheet(window, sheet) if sheet is not None else {}), ""


def _seen_in_sheet(window: OpenWindow, file: str) -> dict[str, SeenRow]:
    from bundlekeeper.model.route.window_sheet import csv_cells, read_sheet

    data = read_bounded(file, limits.RECORDED_FILE_BYTES, "the sheet")
    if data.startswith(b"PK"):  # a workbook is a ZIP file
        from bundlekeeper.links.spreadsheet.read import first_sheet

        cells = first_sheet(file, data)
    else:
        cells = csv_cells(data, file)
    rows = {row.component: row for row in read_sheet(cells, file, {**window.expected, **window.done})}
    same, kinds = _same(window.plan), {row.item.key: row.item.kind for row in window.plan.followed.progress.items}
    wrong = [
        f"{key} was read back at {window.done[key]}, and {rows[key].seen} is in the sheet"
        for key in rows
        if key in window.done and not same(kinds[key], rows[key].seen, window.done[key])
    ]
    if wrong:
        raise InputError("nothing was recorded: the sheet differs from what was read back", where=file, evidence=wrong,
                         hint="record what runs now: bundlekeeper observe NAME --active VERSION")  # fmt: skip
    return {key: row for key, row in rows.items() if key not in window.done}


def _seen_by_services(session: Session, window: OpenWindow, services: ReadServices) -> dict[str, SeenRow]:
    """What management services report of the window's components now; what they do not list is not read."""
    from bundlekeeper.jobs.recording.inventory_read import LogIn, ReadOptions, read
    from bundlekeeper.model.route.window_sheet import SeenRow
    from bundlekeeper.model.stop import Stop

    domain, expected = window.plan.followed.document.plan.domain, window.expected
    site = next((c.site for c in window.plan.given.inventory.components if c.domain == domain), "")
    log_in = LogIn(services.user, services.netrc, basic=False, password=services.password)
    options = ReadOptions(site, domain, None, None, log_in, services.map_file, services.ca,
                          services.http_on_loopback, "UTC", 8, "10m")  # fmt: skip
    found = read(session.caller, services.urls, options, stop=Stop(), quiet=True)
    for service, error in found.failed:
        session.tell(f"not read: {service}: {error.message}")
    return {
        component.key: SeenRow(component.key, component.active, "", "", "")
        for component in found.inventory.components
        if component.key in expected and component.active
    }


def template_of(window: OpenWindow, file: str) -> str | bytes:
    """The window's sheet, to be filled in: a workbook where the file's name ends so, else CSV. Raises InputError."""
    from bundlekeeper.model.route.window_sheet import template, template_cells

    if file != "-" and not file.lower().endswith((".csv", ".xlsx")):
        raise InputError("a sheet is .csv or .xlsx", where=file, hint=f"--template window-{window.number}.xlsx")
    if file.lower().endswith(".xlsx"):
        from bundlekeeper.links.spreadsheet.write import workbook

        return workbook({f"window {window.number}": template_cells(window.expected.items())})
    return template(window.expected.items())
