"""A first manifest from files, folders of files, and checksum lists, which are recognised by their content.

Rules: a list's digest is the publisher's, a file's own is "own copy"; when both are given for one file, the file gives
the size and its bytes must agree with the list, else it is a finding; a list with a bad line is refused whole, never
read as firmware.
"""

from __future__ import annotations

import os
import re
import stat
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, UnfinishedError, errors_include
from bundlekeeper.findings import Finding
from bundlekeeper.formats import limits
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.inputs import read_bounded, reason, text_of
from bundlekeeper.model.manifest.checksum_list import LIST_CODES, ChecksumList, parse
from bundlekeeper.model.manifest.draft_rows import DraftRow
from bundlekeeper.model.manifest.looks_like_list import HEAD_BYTES, is_list, is_signature_of_list
from bundlekeeper.model.manifest.merge_lists import merge

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bundlekeeper.jobs.session import Caller
    from bundlekeeper.model.manifest.draft import AmendReport
    from bundlekeeper.model.stop import Stop
    from bundlekeeper.verification.hashing.door import DigestOutcome


_SHOWN = 20  # names of one sort that are passed over


@dataclass(frozen=True, slots=True)
class DraftedManifest:
    """The text of a new manifest of so many `entries`, and what was found on the way."""

    text: str
    entries: int
    findings: Sequence[Finding]


@dataclass(frozen=True, slots=True)
class AmendedManifest:
    """The new text of the manifest in the file `name`, whose bytes were `old`; what changed, what was found before."""

    name: str
    text: str
    old: bytes
    report: AmendReport
    findings: Sequence[Finding] = ()


def draft(paths: Sequence[Path], platform: str | None, caller: Caller, stop: Stop) -> DraftedManifest:
    """A first manifest of the given files, folders and lists; it is written nowhere.

    Raises InputError for what is not there or cannot be a bundle, and for a name that no platform can have;
    UnfinishedError when reading fails, StoppedError.
    """
    from bundlekeeper.model.manifest.draft import OWN_COPY
    from bundlekeeper.model.manifest.draft import draft as draft_text

    name = checked_platform(platform)
    entries, found = _gathered(paths, caller, stop)
    with errors_include(found):
        text = draft_text(entries, platform=name, issued=caller.today(), digest_from=OWN_COPY)
    return DraftedManifest(text, len(entries), found)


def draft_into(manifest: str, paths: Sequence[Path], caller: Caller, stop: Stop) -> AmendedManifest:
    """The manifest with digests and sizes of the given files filled in; it is written nowhere. Raises as `draft`."""
    from bundlekeeper.model.manifest.draft import fill

    entries, found = _gathered(paths, caller, stop)
    with errors_include(found):
        old = read_bounded(manifest, limits.MANIFEST_BYTES, "the manifest")
        text, report = fill(text_of(manifest, old), entries, name=manifest)
    return AmendedManifest(manifest, text, old, report, found)


def _gathered(paths: Sequence[Path], caller: Caller, stop: Stop) -> tuple[list[DraftRow], list[Finding]]:
    """Entries for a draft, each naming where its digest comes from, and the findings.

    A line for each sort of file reports what was in the given folders and was passed over.
    """
    lists, files, passed_over = _sorted_out(paths)
    gathered = merge(lists, _digested(files, caller, stop))
    sorts: dict[str, list[str]] = {}
    named = {path.absolute() for path in paths}
    for path, what in passed_over:
        if path.absolute() in named:
            continue
        sorts.setdefault(what, []).append(str(path))
    for what, names in sorts.items():
        more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
        caller.tell(f"passed over: {what}: {', '.join(names[:_SHOWN])}{more}")
    if sorts:
        caller.tell(
            "hint: to include one, name it: the inner folder, the link's file, a list that came through another channel"
        )
    return gathered


def checked_platform(name: str | None) -> str:
    """The platform's name; empty, which the draft marks for review, where none is given.

    Raises InputError for a name that the manifest's own types would refuse.
    """
    if name is None:
        return ""
    from bundlekeeper.model.manifest.types import MAX_PLATFORM, PLATFORM

    if re.fullmatch(PLATFORM, name) is None or len(name) > MAX_PLATFORM:
        hint = f"small letters and digits, in words joined by single hyphens, at most {MAX_PLATFORM} characters"
        raise InputError(f"--platform cannot be {name!r}", hint=hint)
    return name


def _sorted_out(paths: Sequence[Path]) -> tuple[list[ChecksumList], list[Path], list[tuple[Path, str]]]:
    lists: list[ChecksumList] = []
    files: list[Path] = []
    bad: list[InputError] = []
    passed_over: list[tuple[Path, str]] = []
    for path in paths:
        if _is_folder(path):
            for file, what in _in_folder(path):
                if what:
                    passed_over.append((file, what))
                else:
                    files.append(file)
        else:
            data = _list_data(path)
            if data is None:
                files.append(path)
            else:
                try:
                    lists.append(parse(data, name=str(path)))
                except InputError as error:
                    bad.append(error)
    if bad:
        raise bad[0] if len(bad) == 1 else _all_of(bad)
    return lists, files, passed_over


def _all_of(errors: list[InputError]) -> InputError:
    """One error for several lists; a fault of a whole list becomes a problem of its own."""
    problems: list[Finding] = []
    for error in errors:
        whole = Finding("list-line", LIST_CODES["list-line"].level, error.where, error.message, error.hint)
        problems += error.problems or [whole]
    return InputError(
        f"{len(errors)} checksum lists cannot be used", hint="get them again, or fix what is shown", problems=problems
    )


def _is_folder(path: Path) -> bool:
    try:
        mode = path.stat().st_mode
    except FileNotFoundError as error:
        raise InputError("the file is not there", where=str(path), hint="check the path") from error
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be looked at: {reason(error)}", where=str(path)) from error
    if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
        raise InputError("not a regular file", where=str(path), hint="name files, folders of files, or checksum lists")
    return stat.S_ISDIR(mode)


def _in_folder(folder: Path) -> list[tuple[Path, str]]:
    """The files of a folder, sorted; with each the reason why it is passed over, empty for a bundle file."""
    try:
        return [(path, _other_than_a_bundle(path)) for path in sorted(folder.iterdir())]
    except OSError as error:
        raise InputError(f"cannot be looked at: {reason(error)}", where=str(folder)) from error


def _other_than_a_bundle(path: Path) -> str:
    mode = path.lstat().st_mode
    if not stat.S_ISREG(mode):
        return {stat.S_IFDIR: "folder", stat.S_IFLNK: "link", stat.S_IFIFO: "FIFO"}.get(stat.S_IFMT(mode), "no file")
    if path.name.startswith("."):
        return "hidden file"
    if is_signature_of_list(path.name):
        return "signature of a list"
    # A list beside the files came through the same channel: it counts only where the user names it.
    return "checksum list" if _list_data(path) is not None else ""


def _list_data(path: Path) -> bytes | None:
    """The bytes of a checksum list, good or bad, at most one more than the limit; None for any other file."""
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES + 1)
            if not is_list(path.name, head, whole=len(head) <= HEAD_BYTES):
                return None
            return head + file.read(limits.CHECKSUM_LIST_BYTES + 1 - len(head))
    except OSError as error:
        raise UnfinishedError(f"cannot be read: {error.strerror}", where=str(path)) from error


def _digested(files: list[Path], caller: Caller, stop: Stop) -> list[DraftRow]:
    from bundlekeeper.verification.hashing.door import Task, digest_many

    if not files:
        return []
    progress = caller.progress
    sizes = {path: path.stat().st_size for path in files}
    progress.begin("reading", sum(sizes.values()), len(files))
    tasks = [Task(str(path), partial(_open, path), size) for path, size in sizes.items()]
    done: dict[str, DraftRow] = {}
    try:
        for outcome in digest_many(tasks, on_bytes=progress.advance, stop=stop):
            done[outcome.task.key] = _entry(outcome)
    finally:
        progress.done()
    return [done[str(path)] for path in files]


def _open(path: Path) -> int:
    return os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)


def _entry(outcome: DigestOutcome) -> DraftRow:
    path = Path(outcome.task.key)
    if outcome.error is not None or outcome.digest is None:
        raise UnfinishedError(f"cannot be read: {outcome.error}", where=str(path))
    name = os.fsencode(path.name).decode("utf-8", "surrogateescape")  # under the C locale Python decodes names as ASCII
    return DraftRow(name, outcome.digest.sha256, outcome.digest.size)
