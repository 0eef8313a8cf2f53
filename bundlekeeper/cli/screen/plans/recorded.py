"""The record of a window: what is expected of it, its sheet, and what was recorded."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import next_line, put
from bundlekeeper.cli.screen.user_files import write_new
from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.formats.escape import counted, some

if TYPE_CHECKING:
    from bundlekeeper.jobs.following.record_window import ExceptionOf, OpenWindow, WindowRecorded


def _expected_text(window: OpenWindow) -> Iterator[str]:
    """What a window should have brought, line by line."""
    plan = window.plan.followed.document.plan
    yield f"{plan.domain} to {plan.release}, window {window.number}: {counted(len(window.open), 'component')}"
    for row in window.open:
        yield f"  {row.item.key}  {row.item.kind} {row.item.place}  to {row.item.end}"


def asked(window: OpenWindow, before: Sequence[ExceptionOf], *, json: bool) -> list[ExceptionOf]:
    """Those `before`, and what a person types, until an empty line; then what is left must be agreed to.

    Raises RefusedError where it is not, or nobody can be asked.
    """
    from bundlekeeper.jobs.following.record_window import exception_of

    hint = "--yes: all was done as planned; --except SERIAL=failed:REASON for each that was not"
    if json or not sys.stdin.isatty():
        raise RefusedError("nobody agreed to what is to be recorded, so nothing was", hint=hint)
    for text in _expected_text(window):
        output.aside(text)
    found = [*before]
    while text := _typed("what was not done as planned? (SERIAL=failed:REASON; empty: nothing else) "):
        try:
            found.append(exception_of(window, text, found))
        except InputError as error:
            output.aside(f"{error.message}: {error.hint}")
    if _typed(f"record window {window.number} with {counted(len(found), 'exception')}? (yes) ").lower() not in (
        "yes",
        "y",
    ):
        raise RefusedError("nothing was recorded: it was not agreed to", hint=hint)
    return found


def _typed(question: str) -> str:
    sys.stderr.write(question)
    sys.stderr.flush()
    return sys.stdin.readline().strip()


def write_template(window: OpenWindow, file: str, *, form: OutputForm) -> None:
    """Write the sheet to be filled in. Raises InputError, UnfinishedError."""
    from bundlekeeper.jobs.following.record_window import template_of

    written = write_new(file, template_of(window, file))
    if form is OutputForm.JSON and written:
        output.envelope("plan-record", [], {"written": written, "components": len(window.expected)})
    elif written:
        output.line(f"written: {written} ({counted(len(window.expected), 'component')})")
        next_line(f"bundlekeeper plan record {window.plan.name} --window {window.number} --sheet {written}")


def show(done: WindowRecorded, window: OpenWindow, *, form: OutputForm) -> None:
    """What was recorded, what was read otherwise, what nobody read."""
    recorded = done.done.recorded
    if form is OutputForm.JSON:
        data = {
            "dry_run": recorded is None,
            "window": window.number,
            "events": [
                {"id": event, "message": message} for event, message in zip(done.done.ids, done.done.lines, strict=True)
            ],
            "differs": [{"component": key, "seen": seen, "expected": end} for key, seen, end in done.differs],
            "not_read": list(done.unread),
            "batch": recorded.batch or None if recorded else None,
        }
        output.envelope("plan-record", done.done.findings, data, ok=not done.differs)
        return
    if recorded is None:
        for message in done.done.lines:
            output.line(f"would record: {message}")
    for key, seen, end in done.differs:
        put(f"{key} runs {seen}, not {end}: recorded as failed", " !! ", "    ")
    if done.unread:
        put(f"not read back: {some(done.unread, 4)}")
    if recorded:
        put(f"window {window.number}: {counted(recorded.new, 'entry', 'entries')} recorded")
        output.recorded_as(recorded.batch_name)
        output.findings_aside(done.done.findings)
    next_line(f"bundlekeeper plan progress {window.plan.name}")
