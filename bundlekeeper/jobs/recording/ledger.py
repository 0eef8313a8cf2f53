"""The ledger itself: verified by its chain, exported to another store, merged, rebuilt, saved from damage."""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.session import Session, is_there, nothing_recorded

if TYPE_CHECKING:
    from bundlekeeper.ledger.event.chain import Head
    from bundlekeeper.ledger.exchange.merge import Merged
    from bundlekeeper.ledger.record.rebuild import Rebuilt
    from bundlekeeper.ledger.record.salvage import Saved
    from bundlekeeper.ledger.record.verify import VerifiedChain
    from bundlekeeper.ledger.shared.verify_log import WriterChain


@dataclass(frozen=True, slots=True)
class LedgerVerified:
    """The result of reading every event; of a shared ledger also each writer's chain, and whose has the head asked for
    ("" where it is the ledger's own).
    """

    verified: VerifiedChain
    findings: list[Finding]
    writers: tuple[WriterChain, ...] = ()
    of: str = ""


@dataclass(frozen=True, slots=True)
class LedgerMerged:
    """The result of each file, the findings, and the chain's head afterwards."""

    files: list[tuple[str, Merged]]
    findings: list[Finding]
    head: Head


@dataclass(frozen=True, slots=True)
class LedgerRebuilt:
    """What was rebuilt, and findings about kept texts that are not what they were."""

    rebuilt: Rebuilt
    findings: list[Finding]


@dataclass(frozen=True, slots=True)
class LedgerSalvaged:
    """What was saved into the file `out`, and what is lost."""

    out: Path
    saved: Saved
    findings: list[Finding]


def verify(session: Session, head: str) -> LedgerVerified:
    """Read every event and compare it with the chain, and with a head that was printed earlier ("" for none).

    Raises InputError for a head that is none; DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.ledger.ask.future_events import ahead
    from bundlekeeper.ledger.record.verify import verify as verify_all

    if session.ledger_address:
        return _verify_shared(session, head)
    verified = verify_all(session.ledger, head)
    hint = "keep this file; bundlekeeper ledger salvage FILE saves what can be read into a new one"
    code = "damaged" if verified.damaged else "altered"
    found = [finding(code, "ledger", message, verified.hints.get(message) or hint) for message in verified.wrong]
    found += _not_in_chain(verified)
    beyond = ahead(session.ledger, session.now()) if not verified.wrong else None  # a damaged ledger is not asked
    if beyond is not None:
        found.append(beyond.doubt("no answer as of now counts them"))
    return LedgerVerified(verified, found)


def _not_in_chain(verified: VerifiedChain) -> list[Finding]:
    if not verified.asked or verified.at is not None:
        return []
    message = "the head that you gave is not in this chain: the ledger was replaced, or a copy went on separately"
    return [finding("altered", "ledger", message, "find the ledger that printed this head")]


def _verify_shared(session: Session, head: str) -> LedgerVerified:
    """Verify the events in the database, then the copy of them that answers. Raises as `verify`; RefusedError."""
    from bundlekeeper.ledger.ask.future_events import ahead
    from bundlekeeper.ledger.record.verify import VerifiedChain, head_asked
    from bundlekeeper.ledger.record.verify import verify as verify_all
    from bundlekeeper.ledger.shared.log import EventLog
    from bundlekeeper.ledger.shared.verify_log import verify_log

    asked = head_asked(head)
    log, _ = EventLog.open(session.ledger_address, write=False)
    with closing(log):
        walked = verify_log(log, asked)
    hint = "what any machine that was up to date exports goes into a new shared ledger (bundlekeeper ledger setup)"
    found = [finding("altered", "ledger", message, hint) for message in walked.wrong]
    verified = VerifiedChain(walked.head, walked.wrong, head, walked.at)
    found += _not_in_chain(verified)
    if not walked.wrong and session.ledger_is_there:
        hint = f"remove it, {session.ledger.path}: it is made again"
        copied = verify_all(session.ledger)
        found += [finding("damaged", "copy", f"the copy here: {message}", hint) for message in copied.wrong]
        beyond = ahead(session.ledger, session.now()) if not copied.wrong else None
        found += [] if beyond is None else [beyond.doubt("no answer as of now counts them")]
    return LedgerVerified(verified, found, walked.writers, walked.of)


def export_lines(session: Session, after: int) -> Iterator[bytes]:
    """The events after number `after`, as lines that another store merges. Raises as `exchange.merge.export`."""
    from bundlekeeper.ledger.exchange.merge import export

    return export(session.ledger, after)


def export_file(session: Session, out: str, after: int) -> tuple[str, Head]:
    """Write these lines to a new file; return which events they are, in words, and the chain's head.

    Raises InputError when the file exists already, UnfinishedError when it cannot be written; else as `export_lines`.
    """
    from bundlekeeper.ledger.exchange.merge import span

    lines = export_lines(session, after)
    try:
        with Path(out).open("xb") as file:
            file.writelines(lines)
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError as error:
        raise InputError("the file exists already", where=out, hint="name a new one") from error
    except BaseException as error:
        Path(out).unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise UnfinishedError(f"cannot be written: {error.strerror}", where=out) from error
        raise
    head = session.ledger.head()
    return span(after, head.count), head


def merge(session: Session, files: list[str]) -> LedgerMerged:
    """Merge the exports of other stores, each file (- is stdin) by itself.

    Raises InputError naming every file that could not be merged, and which ones were; DamagedError, LockedError,
    UnfinishedError.
    """
    from bundlekeeper.ledger.exchange import merge as exchange

    done: list[tuple[str, Merged]] = []
    wrong: list[InputError] = []
    ledger = session.ledger
    for file in dict.fromkeys(files):
        try:
            with _opened(file) as stream:
                done.append((file, exchange.merge(ledger, _lines(file, stream), session.now(), where=file)))
        except InputError as error:  # the other files are merged all the same
            wrong.append(error)
    head = ledger.head()
    if wrong:
        raise _not_merged(wrong, [f"{file} ({counted(merged.new, 'new event')})" for file, merged in done])
    return LedgerMerged(done, [found for file, merged in done for found in merged.findings(file)], head)


def _not_merged(errors: list[InputError], merged: list[str]) -> InputError:
    """One error for all files that could not be merged; it names those that were merged, too."""
    if len(errors) == 1 and not merged:
        return errors[0]
    problems = [finding("unreadable", error.where, error.message, error.hint) for error in errors]
    message = f"{len(errors)} of {counted(len(errors) + len(merged), 'file')} not merged"
    if merged:
        message += f"; merged: {', '.join(merged)}"
    return InputError(message, hint="fix the files that are named, then merge them again", problems=problems)


def _lines(file: str, stream: BinaryIO) -> Iterator[bytes]:
    """The file's lines, each bounded. Raises InputError, UnfinishedError."""
    try:
        while line := stream.readline(limits.LEDGER_LINE_BYTES + 1):
            if len(line) > limits.LEDGER_LINE_BYTES:
                raise InputError(f"it has a line of more than {limits.LEDGER_LINE_BYTES} bytes")
            yield line
    except OSError as error:
        raise UnfinishedError(f"cannot be read: {error.strerror}", where=file) from error


def _opened(file: str) -> AbstractContextManager[BinaryIO]:
    """stdin, a regular file, or a pipe, opened without waiting for a writer.

    Raises InputError for anything else, UnfinishedError.
    """
    if file == "-":
        return nullcontext(sys.stdin.buffer)
    try:
        fd = os.open(file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (FileNotFoundError, ValueError) as error:
        raise InputError("there is no such file", where=file, hint="check the path") from error
    except OSError as error:
        raise UnfinishedError(f"cannot be read: {error.strerror}", where=file) from error
    mode = os.fstat(fd).st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISFIFO(mode)):
        os.close(fd)
        raise InputError("it is not a regular file", where=file)
    os.set_blocking(fd, True)
    return os.fdopen(fd, "rb")


def rebuild(session: Session) -> LedgerRebuilt:
    """Make what is derived from the events again; no event is changed.

    Raises InputError where nothing was recorded; DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.ledger.record.kept_texts import LOAD_HINT, inventory_wrong
    from bundlekeeper.ledger.record.rebuild import rebuild as rebuild_all

    if not session.ledger_address and not is_there(session.ledger_path):
        raise nothing_recorded(str(session.ledger_path))
    rebuilt = rebuild_all(session.ledger)
    found = [finding("damaged", "ledger", inventory_wrong(digest), LOAD_HINT) for digest in rebuilt.texts]
    return LedgerRebuilt(rebuilt, found)


def salvage(session: Session, out: Path) -> LedgerSalvaged:
    """Save every readable event of a damaged ledger into a new one. Raises as `record.salvage.salvage`."""
    from bundlekeeper.ledger.record.salvage import salvage as save

    if session.ledger_address:
        message = "a shared ledger is not saved by this: its events are in its database"
        raise InputError(message, where=session.ledger_address, hint="bundlekeeper ledger export has them all")
    saved = save(session.ledger_path, out, session.now())
    found = [finding("missing", f"event {number}", "it could not be read; it is lost") for number in saved.lost]
    hint = "load the same inventory into the new ledger (bundlekeeper inventory load FILE)"
    found += [
        finding("missing", f"inventory {digest[:12]}…", "its text could not be read; its events are saved", hint)
        for digest in saved.texts
    ]
    return LedgerSalvaged(out, saved, found)


def setup_script() -> bytes:
    """The SQL that makes a shared ledger, as an administrator runs it with psql."""
    from bundlekeeper.ledger.shared.log import SETUP

    return SETUP.read_bytes()
