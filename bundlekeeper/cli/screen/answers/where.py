"""How the answers of `where` are reported: table, JSON, picture, history, counts.

Rules: what nobody reported is "?" and never an empty cell, what was read as none is "-"; what is staged and what is
previous have a column each, whatever the bank; what is open is counted; banks, record, tags and health are behind
`--details`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import field
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import again, next_line, put
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.escape import counted
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.ask.types import Agreement
from bundlekeeper.ledger.event.events import EvidenceKind

if TYPE_CHECKING:
    from bundlekeeper.formats.moments import Moment
    from bundlekeeper.jobs.recording.where import WhereDevice, WhereFound
    from bundlekeeper.ledger.ask.types import Evidence, InBank, WhereAnswer, WhereGroup
    from bundlekeeper.ledger.record.ledger import LedgerEntry
    from bundlekeeper.model.inventory.types import Place


_READ = ("active", "pending", "staged", "spare")
_OF_HEALTH = {None: "", True: "healthy", False: "not healthy"}


@dataclass(frozen=True, slots=True)
class WhereWords:
    """What was typed: the name and the options, for the next command, and whether the table is to be `whole`."""

    name: str | None = None
    options: Mapping[str, object] = field(default_factory=dict)
    whole: bool = False


def show(found: WhereFound, form: OutputForm, words: WhereWords) -> None:
    """Print what was asked for, and what is doubtful about it."""
    if found.components is not None:
        _show_history(found, form=form)
    elif found.keys:
        _show_groups(found, form=form)
    elif form is OutputForm.PICTURE and found.possible:
        _show_picture(found)
    else:
        _show_answers(found, words, form=form)


def _text(value: str | None) -> str:
    return "?" if value is None else value or "-"


def _when(moment: Moment) -> str:
    """A moment for people, to the second."""
    return re.sub(r"\.[0-9]+", "", moment.text())


def _version(bank: InBank | None) -> str:
    return _text(None if bank is None else bank.version)


def _place(answer: WhereAnswer) -> str:
    return (answer.place.path() if answer.place is not None else "?") + ("" if answer.present else " (gone)")


def _since(read: Callable[[Evidence], str]) -> Callable[[WhereAnswer], str]:
    """A cell about the evidence of what is active; `?` where there is none."""

    def cell(answer: WhereAnswer) -> str:
        since = answer.active.since if answer.active is not None else None
        return read(since) if since is not None else "?"

    return cell


def _boot_files(answer: WhereAnswer) -> str:
    return ", ".join(_version(image) for image in answer.boot_files) or ("-" if answer.boot_files_whole else "?")


def _day(moment: Moment) -> str:
    return moment.text()[:10]


_EVIDENCE = {
    EvidenceKind.DIGEST: "digest read",
    EvidenceKind.INVENTORY: "reading",
    EvidenceKind.WRITTEN_NOTE: "written note",
    EvidenceKind.NONE: "none",
}


def _evidence_in_short(answer: WhereAnswer) -> str:
    """What the running version rests on: a reading after it was activated counts for more than what was recorded."""
    if answer.active is None:
        return "?"
    return "read back" if answer.agreement is Agreement.AGREES else _EVIDENCE[answer.active.since.evidence]


def _trouble(answer: WhereAnswer) -> str:
    return answer.agreement.value if answer.agreement in _TROUBLES else ""


def _called(answer: WhereAnswer) -> str:
    """What a component is found by, in one word: its server's name, else its place, with its identity where that is
    not enough."""
    if answer.name:
        return answer.name + ("" if answer.present else " (gone)")
    has_slot = answer.place is not None and answer.place.slot is not None
    return _place(answer) if has_slot else f"{_place(answer)} {answer.component}"


_HEALTH = {None: "?", True: "yes", False: "no"}
_BANKS: tuple[Column[WhereAnswer], ...] = (
    Column("active", lambda answer: _version(answer.active)),
    Column("staged", lambda answer: _version(answer.staged)),
    Column("previous", lambda answer: _version(answer.previous)),
)
_ACTIVE_SINCE: tuple[Column[WhereAnswer], ...] = (
    Column("since", _since(lambda since: _day(since.at))),
    Column("reported by", _since(lambda since: since.reported_by)),
    Column("evidence", _evidence_in_short),
)
#: Of many servers: a line each.
_OF_MANY: tuple[Column[WhereAnswer], ...] = (
    Column("name or place", _called),
    Column("component", lambda answer: answer.kind),
    *_BANKS,
    Column("record", _trouble, below=True),
)
#: Everything.
COLUMNS: tuple[Column[WhereAnswer], ...] = (
    Column("place", _place),
    Column("kind", lambda answer: answer.kind),
    Column("model", lambda answer: answer.model or "?", below=True),
    Column("component", lambda answer: answer.component, below=True),
    Column("name", lambda answer: answer.name, below=True),
    Column("tags", lambda answer: ", ".join(answer.tags), below=True),
    *_BANKS,
    Column("since", _since(lambda since: _when(since.at)), below=True),
    Column("reported_by", _since(lambda since: since.reported_by), below=True),
    Column("evidence", _since(lambda since: since.evidence.value), below=True),
    Column("record", lambda answer: answer.agreement.value),
    Column("pending", lambda answer: _version(answer.pending), below=True),
    Column("spare", lambda answer: _version(answer.spare), below=True),
    Column("boot_files", _boot_files, below=True),
    Column("healthy", lambda answer: _HEALTH[answer.healthy], below=True),
)
#: What of the record is counted under a table, in words.
_TROUBLES = {
    Agreement.NOT_READ_BACK: "activated and not read back",
    Agreement.ACTIVATION_FAILED: "with a failed activation",
    Agreement.NO_ANSWER: "without an answer",
    Agreement.DIFFERS: "read otherwise than recorded",
}


def _show_answers(found: WhereFound, words: WhereWords, *, form: OutputForm) -> None:
    answers = found.answers
    differs = sum(answer.agreement == "differs" for answer in answers)
    if form is OutputForm.JSON:
        data = {
            "on": found.times.on,
            "known": found.times.known,
            "components": [*map(_AsJson().answer, answers)],
            "counts": {"components": len(answers), "differs": differs},
        }
        output.envelope("where", found.doubts, data)
    elif not answers:
        output.line(_nothing(found))
        output.findings_text(found.doubts)
    else:
        if found.device is not None:
            put(_head(found.device))
        write(_columns(found, whole=words.whole), answers)
        put(_verdict(found.device, answers))
        output.findings_text(found.doubts)
        if not words.whole:
            next_line(_next(answers, found.device, words))


def _head(device: WhereDevice) -> str:
    serial = f"serial {device.serial}"
    return " · ".join(text for text in (device.name, *device.tags, device.place, device.model, serial) if text)


def _columns(found: WhereFound, *, whole: bool) -> tuple[Column[WhereAnswer], ...]:
    if whole:
        return COLUMNS
    if found.device is None:
        return _OF_MANY if any(map(_trouble, found.answers)) else _OF_MANY[:-1]
    kinds = [answer.kind for answer in found.answers]

    def component(answer: WhereAnswer) -> str:
        slot = answer.place.slot if answer.place is not None and kinds.count(answer.kind) > 1 else None
        return " ".join(
            [answer.kind, *([slot.rpartition("/")[2]] if slot else []), *([] if answer.present else ["(gone)"])]
        )

    return (Column("component", component), *_BANKS, *_ACTIVE_SINCE)


def _verdict(device: WhereDevice | None, answers: Sequence[WhereAnswer]) -> str:
    """How many are meant, what of them is open, and whether what was recorded is what was read."""
    of = [answer.agreement for answer in answers]
    staged = sum(bool(answer.staged and answer.staged.version) for answer in answers)
    words = [f"{staged} staged"] if staged else []
    words += [f"{of.count(agreement)} {text}" for agreement, text in _TROUBLES.items() if agreement in of]
    if set(of) == {Agreement.AGREES}:
        words.append("reading and ledger agree")
    elif set(of) == {Agreement.ONLY_READ}:
        words.append("only read: no activation was recorded")
    at = f"at {' and '.join(device.bundles)}" if device is not None and device.bundles else ""
    return "; ".join([at or counted(len(answers), "component"), *words])


def _next(answers: Sequence[WhereAnswer], device: WhereDevice | None, words: WhereWords) -> str:
    """The history of one; of many what is staged, or everything."""
    if device is not None:
        return again("where", words.name or device.serial, history=True)
    if not words.options.get("staged") and any(answer.staged and answer.staged.version for answer in answers):
        return again("where", words.name, **{**words.options, "staged": True})
    return again("where", words.name, **words.options, details=True)


def _nothing(found: WhereFound) -> str:
    if not found.gone:
        return "nothing that is known matches"
    since = f" since {' and '.join(found.gone_since)}" if 0 < len(found.gone_since) < 3 else ""
    return f"nothing that is still there matches: {counted(found.gone, 'component')}, gone{since}; --gone shows them"


class _AsJson:
    """Answers as JSON values; an event on which several banks rest is put into words once."""

    def __init__(self) -> None:
        self._evidence: dict[str, dict[str, Any]] = {}  # by the event's id

    def evidence(self, evidence: Evidence | None) -> dict[str, Any] | None:
        if evidence is None:
            return None
        found = self._evidence.get(evidence.id)
        if found is None:
            found = self._evidence[evidence.id] = {
                "event": evidence.id,
                "what": evidence.what.value,
                "at": evidence.at.text(),
                "reported_by": evidence.reported_by,
                "done_by": evidence.done_by,
                "evidence": evidence.evidence.value,
                "source": evidence.source,
            }
        return found

    def bank(self, bank: InBank | None) -> dict[str, Any] | None:
        if bank is None:
            return None
        return {
            "version": bank.version,
            "family": bank.family,
            "bundle": bank.bundle,
            "sha256": bank.sha256,
            "since": self.evidence(bank.since),
        }

    def answer(self, answer: WhereAnswer) -> dict[str, Any]:
        place = answer.place
        return {
            "component": answer.component,
            "kind": answer.kind,
            "model": answer.model or None,
            "parent": answer.parent or None,
            "name": answer.name or None,
            "tags": list(answer.tags),
            "site": place.site if place else None,
            "domain": place.domain if place else None,
            "chassis": place.chassis if place else None,
            "slot": place.slot if place else None,
            "present": answer.present,
            "active": self.bank(answer.active),
            "pending": self.bank(answer.pending),
            "spare": self.bank(answer.spare),
            "staged": self.bank(answer.staged),
            "previous": self.bank(answer.previous),
            "boot_files": [self.bank(bank) for bank in answer.boot_files],
            "boot_files_whole": answer.boot_files_whole,
            "recorded": self.bank(answer.recorded),
            "read": self.evidence(answer.seen),
            "healthy": answer.healthy,
            "agreement": answer.agreement.value,
            "bundles": list(dict.fromkeys(f"{bundle.family}/{bundle.version}" for bundle in answer.bundles)),
        }


def _value(number: int) -> Callable[[WhereGroup], str]:
    return lambda group: _text(group.values[number])


def _show_groups(found: WhereFound, *, form: OutputForm) -> None:
    keys, groups = found.keys, found.groups
    columns: tuple[Column[WhereGroup], ...] = (
        *(Column(key, _value(number)) for number, key in enumerate(keys)),
        Column("components", lambda group: str(group.count), right=True),
        Column("differ", lambda group: str(group.differs), right=True),
    )
    if form is OutputForm.JSON:
        data = [{**dict(zip(keys, g.values, strict=True)), "components": g.count, "differs": g.differs} for g in groups]
        output.envelope("where", found.doubts, {"count_by": list(keys), "groups": data})
    else:
        write(columns, groups)
        output.findings_text(found.doubts)


def _show_history(found: WhereFound, *, form: OutputForm) -> None:
    """Everything that was recorded of each component, void entries too."""
    if form is OutputForm.JSON:
        rows = [
            {
                "id": entry.id,
                "batch": found.batches.get(entry.seq, (None, ""))[0],
                "learned": entry.learned.text(),
                "void": entry.void,
                "event": content,
            }
            for entry, content in zip(found.entries, found.contents, strict=True)
        ]
        output.envelope("where", [], {"history_of": found.components, "history": rows})
        return
    of: dict[str, list[LedgerEntry]] = {component: [] for component in found.components or ()}
    for entry in found.entries:
        of[entry.event.component].append(entry)
    for component, entries in of.items():
        _events_of(found, entries)
        output.line(f"{component}: {counted(len(entries), 'event')}")
    if not of:
        output.line("nothing that is known matches")


def _events_of(found: WhereFound, entries: Sequence[LedgerEntry]) -> None:
    last: Place | None = None
    for entry in entries:
        event = entry.event
        seen = ", ".join(f"{b} {_text(v)}" for b in _READ if (v := getattr(event.seen, b)) is not None)
        health = _OF_HEALTH[event.seen.healthy]
        words = (event.what.value, event.bank, event.version or seen, health)
        what = " ".join(word for word in words if word)
        if event.place is not None:
            what += f" at {event.place.path()}{_moved_from(last, event.place)}"
        void = " (undone)" if entry.void else ""
        batch = found.batches.get(entry.seq, ("", "?"))[1]
        if event.place is not None and not entry.void and event.what != "gone":
            last = event.place
        reason = f"; {event.reason or event.note or event.anyway}" if event.reason or event.note or event.anyway else ""
        put(f"{_when(event.at)}  {what}{void}  reported by {event.reported_by}, {event.evidence.value}, "
            f"learned {_when(entry.learned)}, id {entry.id[:12]}, batch {batch}{reason}", "", "    ")  # fmt: skip


def _moved_from(before: Place | None, now: Place) -> str:
    """Where it was before, when both places have a level and it is not the same."""
    if before is None:
        return ""
    pairs = ((getattr(before, level), getattr(now, level)) for level in ("site", "domain", "chassis", "slot"))
    moved = any(a is not None and b is not None and a != b for a, b in pairs)
    return f", moved from {before.path()}" if moved else ""


def _show_picture(found: WhereFound) -> None:
    """Chassis as boxes of slots, and what is doubtful about them on stderr."""
    from bundlekeeper.cli.screen.picture import Cell, write

    cells = [
        Cell(
            answer.place.path() if answer.place else "?",
            (answer.place.chassis if answer.place else None) or "-",
            (answer.place.slot if answer.place else None) or "-",
            answer.kind,
            _version(answer.active),
            answer.staged.version if answer.staged is not None else "",
            answer.agreement == "differs",
        )
        for answer in found.answers
    ]
    write(cells)
    output.findings_aside(found.doubts)
