"""Taking entries back: they stay in the ledger, and later entries record that they do not count, and why.

Rules: only the ledger changes, no component; one or many batches or entries at once, all of it or nothing; a batch is
named by the first digits of its id, from four on, an entry by eight or more; where an entry that stays rests on what
is taken back (`ledger.ask.undoing` defines that), nothing is recorded unless those entries are taken back, too.
An undo is a batch like any other: taking it back makes its entries count again.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, LockedError, RefusedError
from bundlekeeper.formats.escape import counted, some, visible
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.undoing import Effect, WholeLedger
    from bundlekeeper.ledger.record.batches import Batch
    from bundlekeeper.ledger.record.ledger import Ledger, LedgerEntry, Recorded

_BATCH_DIGITS, _EVENT_DIGITS = 4, 8  # the fewest that name one
_CANDIDATES = 20  # that an error lists


@dataclass(frozen=True, slots=True)
class UndoRequest:
    """What to take back: `names` of batches and entries, or the `last` batch (`_last` says which that is).

    `with_later` takes back what rests on it, too; a `dry_run` records nothing. `agree` is shown what `last` would take
    back, and raises RefusedError where nobody agrees to it.
    """

    names: tuple[str, ...]
    reason: str
    reported_by: str | None = None
    last: bool = False
    with_later: bool = False
    dry_run: bool = False
    agree: Callable[[Sequence[LedgerEntry]], None] = lambda _: None


@dataclass(frozen=True, slots=True)
class Undone:
    """The entries that an undo names, how many do not count because of it (with those of a reading), how many count
    again, how many did not count before; and what was recorded, None in a dry run.
    """

    entries: list[LedgerEntry]
    ends: int
    again: int
    before: int
    reason: str
    recorded: Recorded | None


def undo(session: Session, request: UndoRequest) -> Undone:
    """Record that batches and entries do not count.

    Raises InputError for an unknown or ambiguous name, a missing reason, and where all of it was undone already;
    RefusedError where others rest on it, or nobody agrees; DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.ledger.ask.undoing import WholeLedger

    _insist_on_request(request)
    person = reporter(request.reported_by, session.config.reported_by)
    ledger = session.ledger
    whole = WholeLedger.read(ledger)
    wanted = _last(whole) if request.last else [n for name in request.names for n in _named(whole, name)]
    effect = whole.effect(wanted)
    if not effect.targets:
        raise _undone_already(whole, wanted)
    _insist_on_files(session, _entries(ledger, whole, effect.targets))
    if effect.later:
        if not request.with_later:
            raise _rested_on(whole, effect.later)
        effect = whole.effect([*wanted, *effect.later])
    if request.last:
        entries = _entries(ledger, whole, effect.targets)
        others = sorted({entry.event.reported_by for entry in entries} - {person})
        if others:
            session.tell(f"note: the last batch was reported by {some(others, 3)}, not by {person}")
        if not request.dry_run:
            request.agree(entries)
    return _record(session, whole, effect, request, person)


def _insist_on_files(session: Session, entries: Sequence[LedgerEntry]) -> None:
    """Insist that no file is gone by what is to be taken back: no entry brings it back, and who removed it stays."""
    from bundlekeeper.ledger.event.events import EventKind

    removals = [entry.event for entry in entries if entry.event.what is EventKind.BUNDLE_REMOVED]
    if not removals:
        return
    there = {(row.place, row.sha256) for row in session.database.stored()} if session.database is not None else set()
    for event in removals:
        place = dict(event.before).get("place", "")
        if (place, event.sha256) not in there or not (session.root / place).exists():
            bundle = f"{event.family}/{event.bundle}"
            message = f"refused, nothing was recorded: the file of {bundle} is gone, and no entry brings it back"
            raise RefusedError(message, hint=f"bundlekeeper store add MANIFEST --from DIR --again {bundle} does")


def _insist_on_request(request: UndoRequest) -> None:
    if request.last == bool(request.names):
        message = "--last and names at once" if request.last else "no batch and no entry is named"
        raise InputError(message, hint="bundlekeeper ledger undo BATCH --reason TEXT; or --last for the last batch")
    if not request.reason.strip():
        name = "--last" if request.last else request.names[0]
        raise InputError("the reason is missing", hint=f'bundlekeeper ledger undo {name} --reason "what is wrong"')


def _record(session: Session, whole: WholeLedger, effect: Effect, request: UndoRequest, person: str) -> Undone:
    from bundlekeeper.formats import moments
    from bundlekeeper.ledger.event import own_chain
    from bundlekeeper.ledger.event.events import Event, EventKind

    ledger = session.ledger
    entries = _entries(ledger, whole, effect.targets)
    at = moments.at(session.now())
    events = [
        Event(
            what=EventKind.UNDONE, at=at, reported_by=person, undoes=entry.id, reason=request.reason,
            component=entry.event.component, kind=entry.event.kind,
        )
        for entry in entries
    ]  # fmt: skip

    def insist_on_same(connection: sqlite3.Connection) -> None:
        if own_chain.read(connection).events != whole.events + len(events):
            message = "another process recorded something at the same time; nothing was undone"
            raise LockedError(message, where=ledger.where, hint="run the same command again")

    recorded = None
    if not request.dry_run:
        recorded = ledger.record(events, session.now(), arrange=True, also=insist_on_same)
    return Undone(entries, len(effect.ends), len(effect.again), len(effect.before), request.reason, recorded)


def _entries(ledger: Ledger, whole: WholeLedger, numbers: Iterable[int]) -> list[LedgerEntry]:
    return [entry for number in numbers for entry in ledger.entries(event_id=whole.id(number).hex())]


def _named(whole: WholeLedger, name: str) -> list[int]:
    """The events of the batch, or the event, that these digits name. Raises InputError where none or several are."""
    digits = name.lower()
    if not re.fullmatch(r"[0-9a-f]{1,64}", digits) or len(digits) < _BATCH_DIGITS:
        hint = f"at least {_BATCH_DIGITS} digits of a batch, as recording prints it, or {_EVENT_DIGITS} of an entry"
        raise InputError(f"{visible(name)!r} is no name of a batch or of an entry", hint=hint)
    batches = list({batch.id: batch for batch in whole.batches if batch.id.startswith(digits)}.values())
    events = whole.named(digits) if len(digits) >= _EVENT_DIGITS else []
    if len(batches) + len(events) == 1:
        return whole.numbers_of(batches[0]) if batches else events
    if not batches and not events:
        few = f"; an entry needs {_EVENT_DIGITS} digits" if len(digits) < _EVENT_DIGITS else ""
        hint = "bundlekeeper where NAME --history shows the batch and the id of each entry of a component"
        raise InputError(f"no id of a batch or of an entry begins with {digits}{few}", hint=hint)
    found = [(batch.id, f"batch {_text_of_batch(whole, batch)}") for batch in batches]
    found += [(whole.id(number).hex(), f"entry {_texts(whole, [number])[0]}") for number in events]
    shown = [f"{id_[: len(digits) + 8]}: {text}" for id_, text in found[:_CANDIDATES]]
    shown += [f"and {len(found) - _CANDIDATES} more"] if len(found) > _CANDIDATES else []
    message = f"{len(found)} ids begin with {digits}"
    raise InputError(message, hint="give more digits of the one that you mean", evidence=shown)


def _last(whole: WholeLedger) -> list[int]:
    """The last batch, other than an undo, that was recorded in this store, by whomever, or in a shared ledger by this
    login role. Raises InputError where it was undone already, or there is none.
    """
    firsts = whole.ledger.firsts_of_writer()
    recorded = (
        batch for batch in reversed(whole.batches) if batch.own and (firsts is None or batch.runs[0][0] in firsts)
    )
    others = (batch for batch in recorded if not all(map(whole.is_undo, whole.numbers_of(batch))))
    last, before = next(others, None), next(others, None)
    if last is None:
        nobody = "nothing was recorded in this store"
        message = nobody if firsts is None else "you recorded nothing in this shared ledger"
        raise InputError(message, hint="name the batch (where NAME --history shows it)")
    numbers = whole.numbers_of(last)
    if all(whole.is_void(number) or whole.is_undo(number) for number in numbers):
        hint = "bundlekeeper where NAME --history shows the batch of each entry"
        if before is not None:
            text = _text_of_batch(whole, before)
            hint = f"the one before: bundlekeeper ledger undo {before.id[:12]} --reason TEXT ({text})"
        message = f"the last batch, {last.id[:12]}, was undone already; nothing was recorded"
        raise InputError(message, hint=hint)
    return numbers


def _undone_already(whole: WholeLedger, wanted: Sequence[int]) -> InputError:
    """The error that nothing of it counts: by whom it was undone, and why."""
    by = next((other for number in wanted if (other := whole.undoing(number)) is not None), None)
    if by is None:
        return InputError("nothing that counts is among it; nothing was recorded", hint="name another batch or entry")
    (entry,) = _entries(whole.ledger, whole, [by])
    whole_reading = not any(whole.id(number).hex() == entry.event.undoes for number in wanted)
    what = "with its whole reading, " if whole_reading else ""
    undone = f"{what}by {entry.event.reported_by}, {entry.event.at.text()}: {entry.event.reason}"
    hint = f"if that was wrong: bundlekeeper ledger undo {entry.id[:12]} --reason TEXT makes it count again"
    return InputError("it was undone already; nothing was recorded", hint=hint, evidence=[undone])


def _rested_on(whole: WholeLedger, later: Sequence[int]) -> RefusedError:
    message = f"refused, nothing was recorded: {counted(len(later), 'later entry rests', 'later entries rest')} on it"
    hint = "take those back first, or --with-later takes them back, too"
    return RefusedError(message, hint=hint, evidence=_texts(whole, later))


def _text_of_batch(whole: WholeLedger, batch: Batch) -> str:
    numbers = whole.numbers_of(batch)
    more = f" and {len(numbers) - 1} more" if len(numbers) > 1 else ""
    return _texts(whole, numbers[:1])[0] + more


def _texts(whole: WholeLedger, numbers: Iterable[int]) -> list[str]:
    return [f"{text_of(entry)}, id {entry.id[:12]}" for entry in _entries(whole.ledger, whole, numbers)]


def text_of(entry: LedgerEntry) -> str:
    """An entry in a few words: what, of which component, when, reported by whom."""
    event = entry.event
    what = " ".join(word for word in (event.what.value, event.version) if word)
    about = f" on {event.component}" if event.component else ""
    when = re.sub(r"\.[0-9]+", "", event.at.text())  # to the second
    return f"{what}{about}, {when}, reported by {event.reported_by}"
