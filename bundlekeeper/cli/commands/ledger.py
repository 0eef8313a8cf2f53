"""`bundlekeeper ledger`: hold the record against its own chain, carry it to another store, merge what comes back."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import ExitStack, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, BinaryIO

import typer

from bundlekeeper.cli.options import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.findings import Finding, exit_status, finding
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.open import LEDGER, open_book, open_store

if TYPE_CHECKING:
    from bundlekeeper.ledger.record.verify import Verified

app = typer.Typer(help="The record: check its chain, export it, merge another store's.", rich_markup_mode=None)

HeadOption = Annotated[
    str, typer.Option("--head", metavar="HEX", help="A head printed earlier, which the chain must contain.")
]


@app.command("check")
def check(head: HeadOption = "", store: StoreOption = None, json: JsonOption = False) -> int:
    """Read every event and hold it against the chain, and against a head that was printed earlier."""
    return check_ledger(store_root(store), head, json=json)


def check_ledger(root: Path, head: str, *, json: bool) -> int:
    """The work behind `ledger check` and `check --ledger`; returns the exit status."""
    from bundlekeeper.ledger.ask.future_events import ahead
    from bundlekeeper.ledger.record.verify import verify

    with ExitStack() as stack:
        book = open_book(open_store(root, stack, write=False), stack, write=False)
        verified = verify(book, head)
        beyond = ahead(book, now()) if not verified.wrong else None  # a damaged record is told of, not asked
    found = _findings(verified)
    if beyond is not None:
        found.append(beyond.doubt("no answer as of now counts them"))
    if json:
        chain = {"book": verified.head.book, "events": verified.head.count, "head": verified.head.digest}
        output.envelope("ledger-check", found, {"chain": chain, "asked": verified.asked, "found_at": verified.at})
        return exit_status(found)
    output.findings_text(found)
    output.line(
        f"ledger {verified.head.book[:8]}: {counted(verified.head.count, 'event')}, head {verified.head.digest}"
    )
    if verified.at is not None:
        output.line(
            f"the head that you gave is the chain's after {counted(verified.at, 'event')}: "
            "nothing before it was changed"
        )
    return exit_status(found)


def _findings(verified: Verified) -> list[Finding]:
    hint = "keep this file; bundlekeeper ledger salvage saves what can be read into a new one"
    code = "damaged" if verified.damaged else "altered"
    found = [finding(code, "ledger", says, verified.ways.get(says) or hint) for says in verified.wrong]
    if verified.asked and verified.at is None:
        says = "the head that you gave is not in this chain: the ledger was replaced, or a copy went on by itself"
        found.append(finding("altered", "ledger", says, "find the ledger that the head was printed from"))
    return found


@app.command()
def export(
    out: Annotated[str, typer.Option("--output", "-o", metavar="FILE", help="A new file (default: stdout).")] = "-",
    after: Annotated[int, typer.Option("--after", min=0, metavar="N", help="Only events after number N.")] = 0,
    store: StoreOption = None,
) -> int:
    """Write the record as lines that another store merges."""
    import sys

    from bundlekeeper.ledger.exchange import merge as exchange

    with ExitStack() as stack:
        book = open_book(open_store(store_root(store), stack, write=False), stack, write=False)
        if out == "-":
            sys.stdout.buffer.writelines(exchange.export(book, after))
            return 0
        try:
            with Path(out).open("xb") as file:
                file.writelines(exchange.export(book, after))
                file.flush()
                os.fsync(file.fileno())
        except FileExistsError as error:
            raise InputError("the file is there already", where=out, hint="name a new one") from error
        except BaseException as error:
            Path(out).unlink(missing_ok=True)
            if isinstance(error, OSError):
                raise UnfinishedError(f"cannot be written: {error.strerror}", where=out) from error
            raise
        head = book.head()
    output.line(f"written: {out}: {exchange.span(after, head.count)}, head {head.digest}")
    return 0


@app.command()
def merge(
    files: Annotated[list[str], typer.Argument(metavar="FILE...", help="What other stores exported (- is stdin).")],
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Merge other stores' records: in any order, as often as you like, the result is the same."""
    from bundlekeeper.ledger.exchange import merge as exchange

    rows: list[dict[str, Any]] = []
    wrong: list[InputError] = []
    found: list[Finding] = []
    with ExitStack() as stack:
        book = open_book(open_store(store_root(store), stack, write=True), stack, write=True)
        for file in dict.fromkeys(files):
            try:
                merged = exchange.merge(book, _lines(file), now(), where=file)
            except InputError as error:  # the others are as good as they are
                wrong.append(error)
                continue
            rows.append({"file": file, "new": merged.new, "known": merged.known, "their_head": merged.theirs.digest})
            found += merged.findings(file)
        head = book.head()
    if wrong:
        raise _not_merged(wrong, [f"{row['file']} ({counted(row['new'], 'new event')})" for row in rows])
    if json:
        output.envelope("ledger-merge", found, {"files": rows, "head": head.digest, "events": head.count})
    else:
        for row in rows:
            output.line(f"{row['file']}: {counted(row['new'], 'new event')}, {row['known']} known before")
        output.findings_text(found)
        output.line(f"ledger head {head.digest} at {head.count}")
    return exit_status(found)


def _not_merged(errors: list[InputError], merged: list[str]) -> InputError:
    """One error for all files that could not be merged; it says which ones were."""
    if len(errors) == 1 and not merged:
        return errors[0]
    problems = [finding("unreadable", e.where, e.says, e.hint) for e in errors]
    says = f"{len(errors)} of {counted(len(errors) + len(merged), 'file')} not merged"
    if merged:
        says += f"; merged: {', '.join(merged)}"
    return InputError(says, hint="merge the named files again when they are mended", problems=problems)


def _lines(file: str) -> Iterator[bytes]:
    """The file's lines, each bounded. Raises InputError, UnfinishedError."""
    import sys

    try:
        with nullcontext(sys.stdin.buffer) if file == "-" else _opened(file) as stream:
            while line := stream.readline(limits.LEDGER_LINE_BYTES + 1):
                if len(line) > limits.LEDGER_LINE_BYTES:
                    raise InputError(f"a line of more than {limits.LEDGER_LINE_BYTES} bytes")
                yield line
    except OSError as error:
        raise UnfinishedError(f"cannot be read: {error.strerror}", where=file) from error


def _opened(file: str) -> BinaryIO:
    """A regular file or a pipe, opened without waiting for a writer. Raises InputError for anything else; OSError."""
    try:
        fd = os.open(file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (FileNotFoundError, ValueError) as error:
        raise InputError("the file is not there", hint="check the path") from error
    mode = os.fstat(fd).st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISFIFO(mode)):
        os.close(fd)
        raise InputError("not a regular file")
    os.set_blocking(fd, True)
    return os.fdopen(fd, "rb")


@app.command()
def rebuild(store: StoreOption = None, json: JsonOption = False) -> int:
    """Make what `where` answers from again out of the events, which stay as they are; say how much had been wrong."""
    from bundlekeeper.ledger.record.kept_texts import LOAD_HINT, inventory_wrong
    from bundlekeeper.ledger.record.rebuild import rebuild as make_again

    with ExitStack() as stack:
        opened = open_store(store_root(store), stack, write=True)
        open_book(opened, stack, write=False).close()  # one that is not there is not made
        rebuilt = make_again(open_book(opened, stack, write=True))
    found = [finding("damaged", "ledger", inventory_wrong(digest), LOAD_HINT) for digest in rebuilt.texts]
    if json:
        counts = {"events": rebuilt.events, "components": rebuilt.components, "differing": rebuilt.differing}
        output.envelope("ledger-rebuild", found, {"counts": counts})
        return exit_status(found)
    output.line(
        f"made again from {counted(rebuilt.events, 'event')}: "
        f"how {counted(rebuilt.components, 'component')} stood, and when"
    )
    was = "nothing had been wrong" if not rebuilt.differing else f"{rebuilt.differing} rows had been wrong or missing"
    output.line(f"{was}; no event was touched")
    output.findings_text(found)
    return exit_status(found)


@app.command()
def salvage(
    out: Annotated[Path, typer.Argument(metavar="FILE", help="The new ledger's file; must not be there.")],
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Save every readable event of a damaged ledger into a new one, with a chain of its own."""
    from bundlekeeper.ledger.record.salvage import salvage as save

    saved = save(store_root(store) / ".keeper" / LEDGER, out, now())
    found = [finding("missing", f"event {number}", "could not be read; it is lost") for number in saved.lost]
    hint = "load the same inventory into the new ledger (bundlekeeper inventory load FILE)"
    found += [
        finding("missing", f"inventory {digest[:12]}…", "its text could not be read; its events are saved", hint)
        for digest in saved.texts
    ]
    if json:
        lost = {"lost": list(saved.lost), "lost_texts": list(saved.texts)}
        output.envelope("ledger-salvage", found, {"output": str(out), "events": saved.events, **lost})
    else:
        output.findings_text(found)
        texts = f" and {counted(len(saved.texts), 'text')} of inventories" if saved.texts else ""
        output.line(f"{counted(saved.events, 'event')} saved in {out}, {len(saved.lost)}{texts} lost")
        output.aside(f"next: move the damaged ledger aside, then: mv -n {out} STORE/.keeper/{LEDGER}")
    return exit_status(found)


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="ledger")
