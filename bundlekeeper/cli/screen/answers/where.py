"""How the answers of `where` are reported: table, JSON, picture, history, counts.

Rules: what nobody reported is "?" and never an empty cell, what was read as none is "-".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from bundlekeeper.formats.moments import Moment
    from bundlekeeper.jobs.recording.where import WhereFound
    from bundlekeeper.ledger.ask.types import Evidence, InBank, WhereAnswer, WhereGroup
    from bundlekeeper.ledger.record.ledger import LedgerEntry
    from bundlekeeper.model.inventory.types import Place


_READ = ("active", "pending", "staged", "spare")
_OF_HEALTH = {None: "", True: "healthy", False: "not healthy"}


def show(found: WhereFound, form: OutputForm, *, details: bool = False) -> None:
    """Print what was asked for, and what is doubtful about it; with `details` all that is known of each component."""
    if found.components is not None:
        _show_history(found, form=form)
    elif found.keys:
        _show_groups(found, form=form)
    elif form is OutputForm.PICTURE and found.possible:
        _show_picture(found)
    else:
        _show_answers(found, form=form, details=details)


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


_HEALTH = {None: "?", True: "yes", False: "no"}
COLUMNS: tuple[Column[WhereAnswer], ...] = (
    Column("place", _place),
    Column("kind", lambda answer: answer.kind),
    Column("model", lambda answer: answer.model or "?", below=True),
    Column("component", lambda answer: answer.component, below=True),
    Column("name", lambda answer: answer.name, below=True),
    Column("tags", lambda answer: ", ".join(answer.tags), below=True),
    Column("active", lambda answer: _version(answer.active)),
    Column("staged", lambda answer: _version(answer.staged)),
    Column("previous", lambda answer: _version(answer.previous)),
    Column("since", _since(lambda since: _when(since.at)), below=True),
    Column("reported_by", _since(lambda since: since.reported_by), below=True),
    Column("evidence", _since(lambda since: since.evidence.value), below=True),
    Column("record", lambda answer: answer.agreement.value),
    Column("pending", lambda answer: _version(answer.pending), below=True),
    Column("spare", lambda answer: _version(answer.spare), below=True),
    Column("boot_files", _boot_files, below=True),
    Column("healthy", lambda answer: _HEALTH[answer.healthy], below=True),
)


_EVIDENCE = {"digest-read-back": "digest", "inventory-reading": "reading", "written-note": "note", "none": "none"}
#: A line for each component of several servers, and for those of one, whose name and place are said above them.
SHORT_COLUMNS = tuple(column for column in COLUMNS if column.title in ("place", "kind", "active", "staged", "previous"))
SERVER_COLUMNS: tuple[Column[WhereAnswer], ...] = (
    Column("component", lambda answer: answer.kind or "?"),
    *SHORT_COLUMNS[2:],
    Column("since", _since(lambda since: _when(since.at))),
    Column("by", _since(lambda since: since.reported_by)),
    Column("evidence", _since(lambda since: _EVIDENCE[since.evidence.value]), below=True),
)
#: Where the record and the last reading are not at rest with each other, or a try failed.
_UNSETTLED = ("activation-failed", "no-answer", "differs", "not-read-back")


def _columns(answers: Sequence[WhereAnswer], *, details: bool) -> Sequence[Column[WhereAnswer]]:
    """The columns of an answer: all with `details`; else what decides, and what is not as it should be."""
    if details:
        return COLUMNS
    rest = {column.title: column for column in COLUMNS}
    more = [rest["record"]] if any(answer.agreement in _UNSETTLED for answer in answers) else []
    more += [rest["healthy"]] if any(answer.healthy is False for answer in answers) else []
    if len({(answer.place, answer.kind) for answer in answers}) < len(answers):
        more.insert(0, rest["component"])  # two that nothing else tells apart
    if _is_one_server(answers):
        several = len({answer.model for answer in answers}) > 1
        return [*SERVER_COLUMNS, *([rest["model"]] if several else []), *more]
    names: list[Column[WhereAnswer]] = [Column("name", lambda answer: answer.name or "-")]
    return [*(names if any(answer.name for answer in answers) else []), *SHORT_COLUMNS, *more]


def _is_one_server(answers: Sequence[WhereAnswer]) -> bool:
    return len(answers) == 1 or (bool(answers[0].parent) and len({answer.parent for answer in answers}) == 1)


def _server_line(answers: Sequence[WhereAnswer]) -> str:
    """Name, tags, place, model and serial of the one server that all components are in, or of the one component."""
    names = dict.fromkeys(answer.name for answer in answers)
    tags = dict.fromkeys(tag for answer in answers for tag in answer.tags)
    places = dict.fromkeys(_place(answer) for answer in answers)
    if answers[0].parent and len(places) > 1:  # its components have positions of their own in its slot
        places = dict.fromkeys(re.sub(r"/[^/]*(?= \(gone\)$|$)", "", place) for place in places)
    models = list(dict.fromkeys(answer.model or "model ?" for answer in answers))
    serial = f"serial {answers[0].parent or answers[0].component}"
    return " · ".join(filter(None, (*names, *tags, *places, *(models if len(models) == 1 else ()), serial)))


def _show_answers(found: WhereFound, *, form: OutputForm, details: bool) -> None:
    answers = found.answers
    differs = sum(answer.agreement == "differs" for answer in answers)
    if form is OutputForm.JSON:
        data = {
            "on": found.times.on,
            "known": found.times.known,
            "components": [_as_json(answer) for answer in answers],
            "counts": {"components": len(answers), "differs": differs},
        }
        output.envelope("where", found.doubts, data)
    elif not answers:
        output.line("nothing that is known matches")
        output.findings_text(found.doubts)
    else:
        if _is_one_server(answers) and not details:
            output.line(_server_line(answers))
        write(_columns(answers, details=details), answers)
        output.line(f"{counted(len(answers), 'component')}; {differs} whose last reading differs from the record")
        output.findings_text(found.doubts)


def _evidence(evidence: Evidence | None) -> dict[str, Any] | None:
    if evidence is None:
        return None
    return {
        "event": evidence.id,
        "what": evidence.what.value,
        "at": evidence.at.text(),
        "reported_by": evidence.reported_by,
        "done_by": evidence.done_by,
        "evidence": evidence.evidence.value,
        "source": evidence.source,
    }


def _bank(bank: InBank | None) -> dict[str, Any] | None:
    if bank is None:
        return None
    return {
        "version": bank.version,
        "family": bank.family,
        "bundle": bank.bundle,
        "sha256": bank.sha256,
        "since": _evidence(bank.since),
    }


def _as_json(answer: WhereAnswer) -> dict[str, Any]:
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
        "active": _bank(answer.active),
        "pending": _bank(answer.pending),
        "spare": _bank(answer.spare),
        "staged": _bank(answer.staged),
        "previous": _bank(answer.previous),
        "boot_files": [_bank(bank) for bank in answer.boot_files],
        "boot_files_whole": answer.boot_files_whole,
        "recorded": _bank(answer.recorded),
        "read": _evidence(answer.seen),
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
        output.line(
            f"{_when(event.at)}  {what}{void}  reported by {event.reported_by}, {event.evidence.value}, "
            f"learned {_when(entry.learned)}, id {entry.id[:12]}, batch {batch}{reason}"
        )


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
            _version(answer.pending) if answer.pending is not None and answer.pending.version else "",
            answer.agreement == "differs",
        )
        for answer in found.answers
    ]
    write(cells)
    output.findings_aside(found.doubts)
