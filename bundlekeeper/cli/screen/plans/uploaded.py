"""What became of an upload, as text and as JSON; and the question before it activates anything."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import next_line, put
from bundlekeeper.formats.escape import counted
from bundlekeeper.model.upload import STAGING, UploadResult

if TYPE_CHECKING:
    from bundlekeeper.jobs.upload.asked import UploadDone, UploadRun

CAUTION = (
    "follow the maker's release notes, local change control and the site's safety rules first; keep power and cooling "
    "steady; this is not called safe"
)


def typed_name(name: str, down: Sequence[str]) -> bool:
    """Say what goes down, and ask on a terminal for the name to be typed; False without one, or for anything else."""
    output.aside("this activates, and cannot be taken back:")
    for row in down:
        output.aside(f"  {row}")
    output.aside(CAUTION)
    if not sys.stdin.isatty():
        return False
    output.aside(f"to go on type the target's name: {name}")
    return sys.stdin.readline().strip() == name


def show(run: UploadRun, command: str, name: str, *, form: OutputForm) -> None:
    """The answer in the form that was asked for; `name` is what the targets were named by."""
    if form is OutputForm.JSON:
        data = {
            "upload": {
                "dry_run": run.dry_run,
                "apply_time": run.apply_time,
                "counts": dict(run.counts),
                "targets": [_as_json(done) for done in run.done],
            }
        }
        output.envelope(command, run.findings, data)
        return
    for done in run.done:
        _text(done, run)
    output.findings_aside(run.findings)
    if run.dry_run:
        put("a dry run: none of these requests was sent, nothing was recorded")
        return
    counts = ", ".join(f"{number} {result}" for result, number in run.counts.items() if number)
    put(f"{counted(len(run.done), 'component')}: {counts}")
    put(CAUTION)
    next_line(f"bundlekeeper where {name}".rstrip() if name else "bundlekeeper where --staged")


def _text(done: UploadDone, run: UploadRun) -> None:
    target, outcome = done.target, done.outcome
    what = f"{target.name}: {target.stored.family} {target.stored.version}, image {target.version}"
    if run.dry_run and done.requests:
        put(f"{what}, to {done.service}, applied {run.apply_time}")
        for request in done.requests:
            inside = ", the bundle's file in it" if request.file else ""
            put(
                f"{request.method} {request.address}: {request.media_type}, {request.size_bytes} bytes{inside}",
                "  ",
                "    ",
            )
            if request.parameters:
                put(json.dumps(request.parameters, ensure_ascii=True), "    ", "    ")
        if outcome.reason:
            put(f"not checked: {outcome.reason}", "  ", "    ")
        return
    seen = ", ".join(f"{bank} {version or 'none'}" for bank, version in outcome.seen)
    read = f"; read back: {seen}" if seen else ""
    word = outcome.result.value if outcome.result is not UploadResult.NOT_TRIED else "not sent"
    starts = outcome.result is UploadResult.STAGED and run.apply_time != STAGING
    put(f"{word}: {what}{read}{f'; the service starts it {run.apply_time}' if starts else ''}")


def _as_json(done: UploadDone) -> dict[str, Any]:
    target, outcome = done.target, done.outcome
    return {
        "component": target.key,
        "place": target.answer.place.path() if target.answer.place is not None else None,
        "service": done.service or None,
        "bundle": f"{target.stored.family}/{target.stored.version}",
        "version": target.version,
        "result": outcome.result.value,
        "reason": outcome.reason,
        "read_back": dict(outcome.seen),
        "task": outcome.task or None,
        "messages": list(outcome.messages),
        "requests": [
            {
                "method": request.method,
                "address": request.address,
                "media_type": request.media_type,
                "size_bytes": request.size_bytes,
                "parameters": dict(request.parameters),
                "file": request.file,
            }
            for request in done.requests
        ],
    }
