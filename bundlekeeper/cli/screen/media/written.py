"""What `media write` prints: each volume and image, and what is still to do; or what a dry run found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import human_bytes

if TYPE_CHECKING:
    from bundlekeeper.jobs.media.write import DryRunReport, WrittenReport
    from bundlekeeper.media.writing.write import Copy

_DAMAGE = "checksums on the media show damage, not origin; the index's signature shows origin"


def show(report: WrittenReport, *, form: OutputForm) -> int:
    """Print what was written, then what ended it early; returns the exit status."""
    if form is OutputForm.JSON:
        error = {} if report.error is None else {"error": output.error_about(report.error)}
        findings = (*report.findings, *(report.error.problems if report.error is not None else ()))
        output.envelope(
            "media-write", findings, {**_as_json(report), **error}, ok=None if report.error is None else False
        )
    else:
        _print(report)
        if report.error is not None:
            output.error_text(report.error)
    return report.status


def _print(report: WrittenReport) -> None:
    total = len(report.packing.volumes)
    output.line(f"{report.name}: {total} {'volume' if total == 1 else 'volumes'} for {report.packing.meant_for}")
    output.line(f"set id {report.sent.set_id}")
    output.findings_text(report.findings)
    for copy in report.written.copies if report.written is not None else ():
        _print_copy(copy, total)
    for number, image in report.imaged.images if report.imaged is not None else ():
        state = "already there, " if image.there else ""
        state = "image not made" if image.findings else f"{state}image of {human_bytes(image.size)}"
        output.line(f"volume {number} of {total}: {state}")
        output.line(f"  file: {image.path}")
        _print_level(image.level, image.reason)
    if report.written is not None:
        output.line(f"{human_bytes(report.written.read_bytes)} read from the store")
    if report.label:
        output.line(f"labels: {report.label}")
    _print_next(report, total)


def _print_next(report: WrittenReport, total: int) -> None:
    """What of the set is still to be written, and what to do next."""
    failed = report.failed
    to_come = [str(n) for n in range(1, total + 1) if n not in report.sent.written]
    if to_come:
        output.line(f"not finished yet: volume {', '.join(to_come)}")
    elif not failed and report.error is None:
        output.line("every volume of the set was written and verified")
    for number, path in failed:
        if str(number) not in to_come:
            output.line(f"volume {number} was finished before, but is not whole here: {path}")
    if report.fingerprint:
        output.aside(f"signed by {report.fingerprint}: tell the receivers this fingerprint, never on the media")
    output.aside(f"note: {_DAMAGE}")
    if not to_come and not failed and report.error is None:
        output.aside("next: bring the volumes to the site, then there: bundlekeeper media receive DIR...")


def _print_copy(copy: Copy, total: int) -> None:
    about = f"{copy.files} files, {human_bytes(copy.size)}"
    if copy.kept:
        about += f", {copy.kept} of them were there before"
    output.line(f"volume {copy.volume} of {total}: {copy.state}, {about}")
    output.line(f"  folder: {copy.path}")
    _print_level(copy.level, copy.reason)


def _print_level(level: str | None, reason: str) -> None:
    if level is not None:
        output.line(f"  verification: {level}{f' ({reason})' if reason else ''}")


def _as_json(report: WrittenReport) -> dict[str, Any]:
    sent = report.sent
    return {
        "set": {"id": sent.set_id, "name": report.name, "sequence": sent.sequence, "for": report.packing.meant_for},
        "volumes": len(report.packing.volumes),
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
            for copy in (report.written.copies if report.written is not None else ())
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
            for number, image in (report.imaged.images if report.imaged is not None else ())
        ],
        "read_bytes": report.written.read_bytes if report.written is not None else 0,
        "label": report.label or None,
        "signed_by": report.fingerprint or None,
    }


def show_dry_run(report: DryRunReport, *, form: OutputForm) -> int:
    """Print what would be written where; returns the exit status."""
    total = len(report.packing.volumes)
    if form is OutputForm.JSON:
        data = {
            "store": str(report.root),
            "dry_run": True,
            "targets": [
                {
                    "volume": volume.volume,
                    "folder": volume.path,
                    "files": volume.files,
                    "bytes": volume.size,
                    "free": volume.free,
                }
                for volume in report.rows
            ],
            "images": [{"volume": number, "bytes": size} for number, size in report.images],
        }
        output.envelope("media-write", report.findings, data)
    else:
        output.findings_text(report.findings)
        for row in report.rows:
            about = f"{row.files} files, {human_bytes(row.size)}; {human_bytes(row.free)} free"
            output.line(f"volume {row.volume} of {total}: {about}")
            output.line(f"  folder: {row.path}")
        for number, size in report.images:
            output.line(f"volume {number} of {total}: {human_bytes(size)} into an image")
        output.line("nothing was written")
    return exit_status(report.findings)
