"""What a set lacks and what goes on which volume, as text, as JSON and as the packing file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.manifest_signature import tell
from bundlekeeper.cli.screen.marks import marked, next_line, put, tally
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.escape import counted, human_bytes, shell_word

if TYPE_CHECKING:
    from bundlekeeper.jobs.media.pack import MediaAnswer
    from bundlekeeper.model.media.packing import PackedVolume, SetPacking


def write_packing(answer: MediaAnswer, out: str | None, *, force: bool) -> str:
    """Write the packing to `out` (`-` is stdout); returns the file's name, empty where nothing was written to one.

    Raises as `user_files.write_new`.
    """
    if answer.packing is None or out is None:
        return ""
    from bundlekeeper.cli.screen.user_files import write_new
    from bundlekeeper.model.media.packing import write_packing as as_bytes

    return write_new(out, as_bytes(answer.packing).decode("ascii"), force=force)


def show_json(answer: MediaAnswer, written: str) -> None:
    """One JSON object on stdout; `written` is the packing file."""
    from json import loads

    from bundlekeeper.model.media.packing import write_packing as as_bytes

    whole = None if answer.packing is None else loads(as_bytes(answer.packing))
    data = {"for": answer.meant_for, **answer.given.about(), "packing": whole, "written": written or None}
    output.envelope("media-pack", answer.findings, data)


def show_text(answer: MediaAnswer, written: str, *, whole: bool) -> None:
    """Whether the set is complete, its volumes, what is missing; `written` is the packing file.

    With `whole` every finding with its hint, and every bundle with its volume.
    """
    tell(answer.given.signature)
    packing, findings = answer.packing, answer.findings
    lacking = tally(findings) or "nothing is missing"
    if packing is None:
        put(f"{answer.meant_for}: nothing can be packed, {lacking}")
        output.findings_text(findings) if whole else marked(findings)
        return
    put(f"{answer.meant_for}: {counted(len(packing.volumes), 'volume')}, {lacking}")
    output.line()
    _volumes(packing)
    if whole:
        _bundles(packing)
    output.line()
    output.findings_text(findings) if whole else marked(findings)
    put(packing.summary)
    if written:
        output.line(f"written: {written}")
        next_line(f"bundlekeeper media write {shell_word(written)} --to DIR --key KEYFILE")
    elif not whole:
        next_line("the same with --out FILE, which media write reads")


def _volumes(packing: SetPacking) -> None:
    columns: tuple[Column[PackedVolume], ...] = (
        Column("volume", lambda volume: str(volume.number), right=True),
        Column("kind", lambda volume: volume.kind),
        Column("files", lambda volume: str(sum(1 for _ in packing.on(volume.number))), right=True),
        Column("used", lambda volume: human_bytes(volume.used), right=True),
        Column("usable", lambda volume: human_bytes(volume.usable), right=True),
        Column("fill", _fill, right=True),
    )
    write(columns, packing.volumes)


def _bundles(packing: SetPacking) -> None:
    for volume in packing.volumes:
        output.line(f"volume {volume.number} of {len(packing.volumes)}:")
        for packed_file, part in packing.on(volume.number):
            file = packed_file.file
            if not file.common and file.role == "bundle":
                _print_file(file.path.rpartition("/")[2], file.split, part.number, len(file.parts), part.size)


def _print_file(name: str, split: bool, number: int, parts: int, size: int) -> None:
    output.line(f"  {human_bytes(size):>8}  {name}{f', part {number} of {parts}' if split else ''}")


def _fill(volume: PackedVolume) -> str:
    return f"{(volume.used + volume.reserved) * 100 // max(1, volume.usable)}%"
