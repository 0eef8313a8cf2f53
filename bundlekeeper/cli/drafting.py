"""What a draft is made from: files, folders of files, and checksum lists, told apart by looking.

Rules: a list's digest is the publisher's, a file's own is "own copy"; when both are given for one file, the file gives
the size and its bytes must agree with the list, else it is a finding; a list with a bad line is refused whole, never
taken for firmware.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.cli.common import progress_for
from bundlekeeper.cli.signals import SIGNALS
from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.model.checksum_list import LIST_CODES, MAX_BYTES, ChecksumList, parse
from bundlekeeper.model.entries import Entry
from bundlekeeper.model.findings import Finding
from bundlekeeper.model.list_look import HEAD_BYTES, is_list
from bundlekeeper.model.merging import merge

if TYPE_CHECKING:
    from bundlekeeper.proof.digests import Outcome


@dataclass(slots=True)
class Gathered:
    """Entries for a draft, each naming where its digest comes from, and what was found on the way."""

    entries: list[Entry]
    findings: list[Finding] = field(default_factory=list)


def gather(paths: list[Path], *, quiet: bool) -> Gathered:
    """Read the given files, folders and lists.

    Raises InputError for what is not there or cannot be a bundle, UnfinishedError when reading fails.
    """
    lists, files = _told_apart(paths)
    return Gathered(*merge(lists, _digested(files, quiet)))


def _told_apart(paths: list[Path]) -> tuple[list[ChecksumList], list[Path]]:
    lists: list[ChecksumList] = []
    files: list[Path] = []
    bad: list[InputError] = []
    for path in paths:
        for file in _expanded(path):
            data = _list_data(file)
            if data is None:
                files.append(file)
            elif path.is_dir():
                continue  # a list that lies beside the files is no other way of getting it: it must be named
            else:
                try:
                    lists.append(parse(data, name=str(file)))
                except InputError as error:
                    bad.append(error)
    if bad:
        raise bad[0] if len(bad) == 1 else _all_of(bad)
    return lists, files


def _all_of(errors: list[InputError]) -> InputError:
    """One error for several lists; what is wrong with a list as a whole becomes a problem of its own."""
    problems: list[Finding] = []
    for error in errors:
        whole = Finding("list-line", LIST_CODES["list-line"].level, error.where, error.says, error.hint)
        problems += error.problems or [whole]
    return InputError(
        f"{len(errors)} checksum lists cannot be used", hint="get them again, or mend what is shown", problems=problems
    )


def _expanded(path: Path) -> list[Path]:
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            return sorted(p for p in path.iterdir() if p.is_file() and not p.is_symlink() and p.name[0] != ".")
    except FileNotFoundError as error:
        raise InputError("the file is not there", where=str(path), hint="check the path") from error
    except OSError as error:
        raise InputError(f"cannot be looked at: {error.strerror}", where=str(path)) from error
    if not stat.S_ISREG(mode):
        raise InputError("not a regular file", where=str(path), hint="name files, folders of files, or checksum lists")
    return [path]


def _list_data(path: Path) -> bytes | None:
    """The bytes of a checksum list, good or bad, with no more than one beyond the limit; None for any other file."""
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES + 1)
            if not is_list(path.name, head, whole=len(head) <= HEAD_BYTES):
                return None
            return head + file.read(MAX_BYTES + 1 - len(head))
    except OSError as error:
        raise UnfinishedError(f"cannot be read: {error.strerror}", where=str(path)) from error


def _digested(files: list[Path], quiet: bool) -> list[Entry]:
    from bundlekeeper.proof.digests import Task, digest_many
    from bundlekeeper.proof.reading import Stop

    if not files:
        return []
    stop = Stop()
    progress = progress_for(quiet)
    sizes = {path: path.stat().st_size for path in files}
    progress.begin("reading", sum(sizes.values()), len(files))
    tasks = [Task(str(path), partial(_open, path), size) for path, size in sizes.items()]
    done: dict[str, Entry] = {}
    try:
        with SIGNALS.guarded(stop):
            for outcome in digest_many(tasks, on_bytes=progress.advance, stop=stop):
                done[outcome.task.key] = _entry(outcome)
    finally:
        progress.done()
    return [done[str(path)] for path in files]


def _open(path: Path) -> int:
    return os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)


def _entry(outcome: Outcome) -> Entry:
    path = Path(outcome.task.key)
    if outcome.error is not None or outcome.digest is None:
        raise UnfinishedError(f"cannot be read: {outcome.error}", where=str(path))
    return Entry(path.name, outcome.digest.sha256, outcome.digest.size)
