"""What `media write` prints: what is foreseen, what became of each volume and image, what is still to do."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.errors import EXIT_FOUND, KeeperError, worst_exit
from bundlekeeper.findings import Finding, exit_status
from bundlekeeper.formats.escape import human_bytes

if TYPE_CHECKING:
    from bundlekeeper.media.set.records import Sent
    from bundlekeeper.media.writing.write import Copy, WriteOrder, Written
    from bundlekeeper.media.writing.write_images import Imaged
    from bundlekeeper.model.media.plan import SetPlan

_DAMAGE = "checksums on the media show damage, not origin; that is the index's signature to show"


@dataclass(frozen=True, slots=True)
class WrittenReport:
    """All that came of one command. `fingerprint` is the key's that signed the index, `since` what the manifest
    in force says of a plan that is older, `error` what ended the work after volumes were written."""

    plan: SetPlan
    written: Written | None
    imaged: Imaged | None
    label: str
    fingerprint: str = ""
    since: tuple[Finding, ...] = ()
    error: KeeperError | None = None

    @property
    def sent(self) -> Sent:
        """The set as it stands now."""
        return next(each.sent for each in (self.imaged, self.written) if each is not None)

    @property
    def name(self) -> str:
        """The set's name."""
        return next(each.name for each in (self.imaged, self.written) if each is not None)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the set lacks, then what was found."""
        images = () if self.imaged is None else self.imaged.images
        return (
            *self.plan.missing,
            *self.since,
            *(self.written.findings if self.written is not None else ()),
            *(self.imaged.findings if self.imaged is not None else ()),
            *(each for _, image in images for each in (*image.findings, *image.beside)),
        )


def tell(told: WrittenReport, *, json: bool) -> int:
    """Print what came of it, then what ended it early; returns the exit status."""
    if json:
        error = {} if told.error is None else {"error": output.error_about(told.error)}
        findings = (*told.findings, *(told.error.problems if told.error is not None else ()))
        output.envelope("media-write", findings, {**_as_json(told), **error}, ok=None if told.error is None else False)
    else:
        _print(told)
        if told.error is not None:
            output.error_text(told.error)
    bad = any(image.findings for _, image in told.imaged.images) if told.imaged is not None else False
    written = told.written.status if told.written is not None else 0
    ended = told.error.exit_code if told.error is not None else 0
    return worst_exit([exit_status(told.findings), written, EXIT_FOUND if bad else 0, ended])


def _print(told: WrittenReport) -> None:
    total = len(told.plan.volumes)
    output.line(f"{told.name}: {total} {'volume' if total == 1 else 'volumes'} for {told.plan.meant_for}")
    output.line(f"set id {told.sent.set_id}")
    output.findings_text(told.findings)
    for copy in told.written.copies if told.written is not None else ():
        _print_copy(copy, total)
    for number, image in told.imaged.images if told.imaged is not None else ():
        state = "already there, " if image.there else ""
        state = "image not made" if image.findings else f"{state}image of {human_bytes(image.size)}"
        output.line(f"volume {number} of {total}: {state}")
        output.line(f"  file: {image.path}")
        _print_level(image.level, image.why)
    if told.written is not None:
        output.line(f"{human_bytes(told.written.read_bytes)} read from the store")
    if told.label:
        output.line(f"labels: {told.label}")
    _print_outlook(told, total)


def _print_outlook(told: WrittenReport, total: int) -> None:
    """What of the set is still to be made, and what is next."""
    failed = _failed(told)
    to_come = [str(n) for n in range(1, total + 1) if n not in told.sent.written]
    if to_come:
        output.line(f"not finished yet: volume {', '.join(to_come)}")
    elif not failed and told.error is None:
        output.line("every volume of the set was written and proven")
    for number, path in failed:
        if str(number) not in to_come:
            output.line(f"volume {number} was finished before, and is not whole here: {path}")
    if told.fingerprint:
        output.aside(f"signed by {told.fingerprint}: tell the receivers, never by the media")
    output.aside(f"note: {_DAMAGE}")
    if not to_come and not failed and told.error is None:
        output.aside("next: carry them; then, there: bundlekeeper media receive DIR...")


def _failed(told: WrittenReport) -> list[tuple[int, str]]:
    """The volumes and images that this run could not finish or prove."""
    copies = () if told.written is None else told.written.copies
    images = () if told.imaged is None else told.imaged.images
    failed = [(copy.volume, copy.path) for copy in copies if copy.state == "failed"]
    return failed + [(number, image.path) for number, image in images if image.findings]


def _print_copy(copy: Copy, total: int) -> None:
    about = f"{copy.files} files, {human_bytes(copy.size)}"
    if copy.kept:
        about += f", {copy.kept} of them were there"
    output.line(f"volume {copy.volume} of {total}: {copy.state}, {about}")
    output.line(f"  folder: {copy.path}")
    _print_level(copy.level, copy.why)


def _print_level(level: str | None, why: str) -> None:
    if level is not None:
        output.line(f"  proof: {level}{f' ({why})' if why else ''}")


def _as_json(told: WrittenReport) -> dict[str, Any]:
    sent = told.sent
    return {
        "set": {"id": sent.set_id, "name": told.name, "sequence": sent.sequence, "for": told.plan.meant_for},
        "volumes": len(told.plan.volumes),
        "finished": sorted(sent.written),
        "copies": [
            {
                "volume": copy.volume,
                "folder": copy.path,
                "state": copy.state,
                "files": copy.files,
                "kept": copy.kept,
                "bytes": copy.size,
                "proof": copy.level,
                "not_guaranteed": copy.why or None,
            }
            for copy in (told.written.copies if told.written is not None else ())
        ],
        "images": [
            {
                "volume": number,
                "file": image.path,
                "state": "failed" if image.findings else "already there" if image.there else "made",
                "bytes": image.size,
                "proof": image.level,
                "not_guaranteed": image.why or None,
            }
            for number, image in (told.imaged.images if told.imaged is not None else ())
        ],
        "read_bytes": told.written.read_bytes if told.written is not None else 0,
        "label": told.label or None,
        "signed_by": told.fingerprint or None,
    }


def tell_foreseen(
    root: Path, plan: SetPlan, order: WriteOrder, iso: Path | None, since: tuple[Finding, ...], *, json: bool
) -> int:
    """Say what would be written where; nothing is changed. Returns the exit status. `since` as in `Told`.

    Raises InputError, RefusedError and UnfinishedError as writing would, for targets that cannot be used.
    """
    from bundlekeeper.media.volume.right_medium import insist_outside
    from bundlekeeper.media.writing.dry_run import foresee

    for path in (*(target.path for target in order.targets), *([iso] if iso is not None else [])):
        insist_outside(path, root)
    rows = foresee(plan, order) if order.targets or iso is None else ()
    numbers = [n for n in range(1, len(plan.volumes) + 1) if not order.only or n in order.only]
    images = [(n, sum(part.size for _, part in plan.on(n))) for n in numbers] if iso is not None else []
    found = [*plan.missing, *since, *(row.finding for row in rows if row.short)]
    if json:
        data = {
            "store": str(root),
            "dry_run": True,
            "targets": [
                {"volume": r.volume, "folder": r.path, "files": r.files, "bytes": r.size, "free": r.free} for r in rows
            ],
            "images": [{"volume": number, "bytes": size} for number, size in images],
        }
        output.envelope("media-write", found, data)
    else:
        output.findings_text(found)
        for row in rows:
            about = f"{row.files} files, {human_bytes(row.size)}; {human_bytes(row.free)} free"
            output.line(f"volume {row.volume} of {len(plan.volumes)}: {about}")
            output.line(f"  folder: {row.path}")
        for number, size in images:
            output.line(f"volume {number} of {len(plan.volumes)}: {human_bytes(size)} into an image")
        output.line("nothing was written")
    return exit_status(found)
