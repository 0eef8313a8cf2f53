"""What `media write` prints: what is foreseen, what became of each volume and image, what is still to do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import human_bytes

if TYPE_CHECKING:
    from bundlekeeper.jobs.media.write import DryRunReport, WrittenReport
    from bundlekeeper.media.writing.write import Copy

_DAMAGE = "checksums on the media show damage, not origin; that is the index's signature to show"


def show(told: WrittenReport, *, form: OutputForm) -> int:
    """Print what came of it, then what ended it early; returns the exit status."""
    if form is OutputForm.JSON:
        error = {} if told.error is None else {"error": output.error_about(told.error)}
        findings = (*told.findings, *(told.error.problems if told.error is not None else ()))
        output.envelope("media-write", findings, {**_as_json(told), **error}, ok=None if told.error is None else False)
    else:
        _print(told)
        if told.error is not None:
            output.error_text(told.error)
    return told.status


def _print(told: WrittenReport) -> None:
    total = len(told.packing.volumes)
    output.line(f"{told.name}: {total} {'volume' if total == 1 else 'volumes'} for {told.packing.meant_for}")
    output.line(f"set id {told.sent.set_id}")
    output.findings_text(told.findings)
    for copy in told.written.copies if told.written is not None else ():
        _print_copy(copy, total)
    for number, image in told.imaged.images if told.imaged is not None else ():
        state = "already there, " if image.there else ""
        state = "image not made" if image.findings else f"{state}image of {human_bytes(image.size)}"
        output.line(f"volume {number} of {total}: {state}")
        output.line(f"  file: {image.path}")
        _print_level(image.level, image.reason)
    if told.written is not None:
        output.line(f"{human_bytes(told.written.read_bytes)} read from the store")
    if told.label:
        output.line(f"labels: {told.label}")
    _print_outlook(told, total)


def _print_outlook(told: WrittenReport, total: int) -> None:
    """What of the set is still to be made, and what is next."""
    failed = told.failed
    to_come = [str(n) for n in range(1, total + 1) if n not in told.sent.written]
    if to_come:
        output.line(f"not finished yet: volume {', '.join(to_come)}")
    elif not failed and told.error is None:
        output.line("every volume of the set was written and verified")
    for number, path in failed:
        if str(number) not in to_come:
            output.line(f"volume {number} was finished before, and is not whole here: {path}")
    if told.fingerprint:
        output.aside(f"signed by {told.fingerprint}: tell the receivers, never by the media")
    output.aside(f"note: {_DAMAGE}")
    if not to_come and not failed and told.error is None:
        output.aside("next: carry them; then, there: bundlekeeper media receive DIR...")


def _print_copy(copy: Copy, total: int) -> None:
    about = f"{copy.files} files, {human_bytes(copy.size)}"
    if copy.kept:
        about += f", {copy.kept} of them were there"
    output.line(f"volume {copy.volume} of {total}: {copy.state}, {about}")
    output.line(f"  folder: {copy.path}")
    _print_level(copy.level, copy.reason)


def _print_level(level: str | None, reason: str) -> None:
    if level is not None:
        output.line(f"  verification: {level}{f' ({reason})' if reason else ''}")


def _as_json(told: WrittenReport) -> dict[str, Any]:
    sent = told.sent
    return {
        "set": {"id": sent.set_id, "name": told.name, "sequence": sent.sequence, "for": told.packing.meant_for},
        "volumes": len(told.packing.volumes),
        "finished": sorted(sent.written),
        "copies": [
            {
                "volume": copy.volume,
                "folder": copy.path,
                "state": copy.state,
                "files": copy.files,
                "kept": copy.kept,
                "bytes": copy.size,
                "verification": copy.level,
                "not_guaranteed": copy.reason or None,
            }
            for copy in (told.written.copies if told.written is not None else ())
        ],
        "images": [
            {
                "volume": number,
                "file": image.path,
                "state": "failed" if image.findings else "already there" if image.there else "made",
                "bytes": image.size,
                "verification": image.level,
                "not_guaranteed": image.reason or None,
            }
            for number, image in (told.imaged.images if told.imaged is not None else ())
        ],
        "read_bytes": told.written.read_bytes if told.written is not None else 0,
        "label": told.label or None,
        "signed_by": told.fingerprint or None,
    }


def show_dry_run(told: DryRunReport, *, form: OutputForm) -> int:
    """Print what would be written where; returns the exit status."""
    total = len(told.packing.volumes)
    if form is OutputForm.JSON:
        data = {
            "store": str(told.root),
            "dry_run": True,
            "targets": [
                {
                    "volume": foreseen.volume,
                    "folder": foreseen.path,
                    "files": foreseen.files,
                    "bytes": foreseen.size,
                    "free": foreseen.free,
                }
                for foreseen in told.rows
            ],
            "images": [{"volume": number, "bytes": size} for number, size in told.images],
        }
        output.envelope("media-write", told.findings, data)
    else:
        output.findings_text(told.findings)
        for row in told.rows:
            about = f"{row.files} files, {human_bytes(row.size)}; {human_bytes(row.free)} free"
            output.line(f"volume {row.volume} of {total}: {about}")
            output.line(f"  folder: {row.path}")
        for number, size in told.images:
            output.line(f"volume {number} of {total}: {human_bytes(size)} into an image")
        output.line("nothing was written")
    return exit_status(told.findings)
