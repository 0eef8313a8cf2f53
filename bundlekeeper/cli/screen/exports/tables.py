"""Tables as CSV (RFC 4180) and as workbooks: what is where, the inventory, the history, the store, gaps.

Rules: an empty cell is not known, `-` is none; a cell of CSV that a spreadsheet would run as a formula is made harmless
in a way that the readers of inventories and recordings take back, and a workbook has only cells of text, in which
nothing is run; the columns of a component are those that an inventory has, so that they are read again; what else is
known of an answer, and where the table is from, is in columns (of a workbook: on a sheet) that those readers pass over.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.exports.target import ExportTarget
from bundlekeeper.cli.screen.tables import Column, Row
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import counted, harmless, shell_word, visible
from bundlekeeper.ledger.ask.types import InBank, WhereAnswer
from bundlekeeper.model.inventory.types import (
    COMPONENT_KEYS,
    EXPORT_COLUMNS,
    PLACES,
    Component,
    identity,
)

if TYPE_CHECKING:
    from bundlekeeper.findings import Finding
    from bundlekeeper.jobs.exports.origin import ExportOrigin
    from bundlekeeper.jobs.planning.gaps import FoundGaps
    from bundlekeeper.jobs.recording.believed_inventory import BelievedInventory
    from bundlekeeper.jobs.recording.where import WhereFound
    from bundlekeeper.jobs.store.listing import StoreList
    from bundlekeeper.ledger.record.ledger import LedgerEntry
    from bundlekeeper.store.contents.right_now import Holding


def _cell(value: Any) -> str:  # noqa: ANN401 - a value of a component's key
    """A value as the readers of inventories have it: "" is not known, `-` is known to be none."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return "|".join(value) or "-"
    return str(value) or "-"


@dataclass(frozen=True, slots=True)
class TablePlace:
    """Where a table goes, where it is from, and its name."""

    file: ExportTarget
    origin: ExportOrigin
    name: str

    @property
    def stamp(self) -> tuple[str, ...]:
        """Where the table is from, in the order of EXPORT_COLUMNS."""
        return self.origin.moment, visible(self.origin.store), self.origin.digest


def _write(columns: Sequence[Column[Row]], rows: Iterable[Row], place: TablePlace) -> None:
    titles = [column.title for column in columns]
    cells = [[visible(column.cell(row)) for column in columns] for row in rows]
    make = _workbook if place.file.workbook else _csv
    place.file.write(make(titles, cells, place))
    if not cells:
        output.aside("note: the table has no row")


def _csv(titles: Sequence[str], rows: Iterable[Sequence[str]], place: TablePlace) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*titles, *EXPORT_COLUMNS])
    stamp = [harmless(cell) for cell in place.stamp]
    writer.writerows([*[harmless(cell) for cell in row], *stamp] for row in rows)
    return text.getvalue()


def _workbook(titles: Sequence[str], rows: Sequence[Sequence[str]], place: TablePlace) -> bytes:
    """One sheet of the table, one of where it is from. Raises InputError for more than a sheet can have."""
    from bundlekeeper.links.spreadsheet.write import CELL_CHARACTERS, SHEET_ROWS, workbook

    if len(rows) >= SHEET_ROWS or any(len(cell) > CELL_CHARACTERS for row in rows for cell in row):
        message = f"a sheet has at most {SHEET_ROWS} rows, and {CELL_CHARACTERS} characters in a cell"
        raise InputError(message, where=place.file.name, hint="bundlekeeper export csv has no such limit")
    about = [["what", "value"], *map(list, zip(EXPORT_COLUMNS, place.stamp, strict=True))]
    return workbook({place.name: [titles, *rows], "export": about})


def _loaded_again(file: ExportTarget) -> None:
    if file.name != "-":
        output.aside(f"next: bundlekeeper inventory load {shell_word(file.name)} --read-at TIME --zone ZONE")


# Components


_ANSWERED = {field.name for field in fields(WhereAnswer)}
_SHEET = sorted(
    COMPONENT_KEYS, key=lambda key: key not in (*PLACES, "parent")
)  # where it is comes first, as in a sheet
_WHERE_KEYS = tuple(key for key in _SHEET if key in PLACES or key == "serial" or key in _ANSWERED)


def _known(answer: WhereAnswer, key: str) -> str:
    """What an answer has under the key of a component, as a cell."""
    if key in PLACES:
        return _cell(getattr(answer.place, key) if answer.place is not None else None)
    if key == "serial":
        return "" if _identity_without_serial(answer) == answer.component else answer.component
    value = getattr(answer, key)
    if isinstance(value, InBank):
        return _cell(value.version)
    if isinstance(value, bool):
        return _cell(value)
    if value == () and key == "tags":
        return ""  # not stated
    if isinstance(value, tuple):
        return _cell(tuple(v.version if isinstance(v, InBank) else v for v in value)) if _is_whole(answer, key) else ""
    return _cell(value or None)


def _is_whole(answer: WhereAnswer, key: str) -> bool:
    return bool(getattr(answer, f"{key}_whole", True))


def _identity_without_serial(answer: WhereAnswer) -> str:
    place = answer.place
    site, domain = (place.site, place.domain or "") if place is not None else ("", "")
    slot = place.slot if place is not None else None
    return identity(Component(answer.kind, site, domain, slot=slot, parent=answer.parent or None))


def _since(answer: WhereAnswer, part: str) -> str:
    since = answer.active.since if answer.active is not None else None
    if since is None:
        return ""
    return {"at": since.at.text(), "by": since.reported_by, "on": since.evidence.value}[part]


_ANSWER: Mapping[str, Callable[[WhereAnswer], str]] = {
    "component": lambda answer: answer.component,
    "active_since": lambda answer: _since(answer, "at"),
    "active_reported_by": lambda answer: _since(answer, "by"),
    "active_evidence": lambda answer: _since(answer, "on"),
    "record": lambda answer: answer.agreement.value,
    "some_boot_files": lambda answer: "|".join(
        image.version for image in answer.boot_files if not answer.boot_files_whole
    ),
}


def write_where(found: WhereFound, place: TablePlace) -> None:
    """A row for each component that is anywhere. Raises InputError, UnfinishedError for a file that cannot be made."""
    there = [answer for answer in found.answers if answer.present]
    columns = [Column(key, _of_key(key)) for key in _WHERE_KEYS]
    columns += [Column(title, cell) for title, cell in _ANSWER.items()]
    _write(columns, there, place)
    gone = len(found.answers) - len(there)
    if gone:
        output.aside(f"note: {counted(gone, 'component')} that are no longer anywhere are left out")
    output.findings_aside(found.doubts)
    _loaded_again(place.file)


def _of_key(key: str) -> Callable[[WhereAnswer], str]:
    return lambda answer: _known(answer, key)


def write_inventory(found: BelievedInventory, place: TablePlace) -> None:
    """A row for each component, in the columns of an inventory; what is not in it is named. Raises as `write_where`."""
    whole = found.inventory
    _write([Column(key, _of_component(key)) for key in _SHEET], whole.components, place)
    others = (("partition", whole.partitions), ("policy", whole.policies), ("separate_windows", whole.separate_windows))
    left = [f"{len(rows)} of {table}" for table, rows in others if rows]
    if left:
        output.aside(f"note: this is the table of components; left out: {', '.join(left)}")
    if found.unplaced:
        output.aside(f"note: {counted(len(found.unplaced), 'component')} whose place is not known are left out")
    output.findings_aside(found.doubts)
    _loaded_again(place.file)


def _of_component(key: str) -> Callable[[Component], str]:
    return lambda component: _cell(getattr(component, key))


# History, store, gaps


_EVENT_TEXTS = (
    "component", "kind", "model", "parent", "name", "bank", "version", "family", "bundle", "sha256",
)  # fmt: skip
_EVENT_DETAILS = ("reported_by", "done_by", "approved_by", "change", "plan", "source")
_EVENT_WORDS = ("deviations", "anyway", "note", "reason")


def _of_event(key: str) -> Callable[[LedgerEntry], str]:
    return lambda entry: str(getattr(entry.event, key))


def _of_place(key: str) -> Callable[[LedgerEntry], str]:
    return lambda entry: _cell(getattr(entry.event.place, key) if entry.event.place is not None else None)


def _of_reading(bank: str) -> Callable[[LedgerEntry], str]:
    return lambda entry: _cell(getattr(entry.event.seen, bank))


HISTORY: tuple[Column[LedgerEntry], ...] = (
    Column("at", lambda entry: entry.event.at.text()),
    Column("what", lambda entry: entry.event.what.value),
    Column("taken_back", lambda entry: _cell(entry.void)),
    *(Column(key, _of_event(key)) for key in _EVENT_TEXTS),
    *(Column(key, _of_place(key)) for key in PLACES),
    *(
        Column(f"read_{bank}", _of_reading(bank))
        for bank in ("active", "pending", "staged", "spare", "boot_files", "healthy")
    ),
    *(Column(key, _of_event(key)) for key in _EVENT_DETAILS),
    Column("evidence", lambda entry: entry.event.evidence.value),
    *(Column(key, _of_event(key)) for key in _EVENT_WORDS),
    Column("learned", lambda entry: entry.learned.text()),
    Column("event", lambda entry: entry.id),
)


def write_history(found: WhereFound, place: TablePlace) -> None:
    """A row for each event. Raises as `write_where`."""
    _write(HISTORY, found.entries, place)


STORED: tuple[Column[Holding], ...] = (
    Column("family", lambda row: row.stored.family),
    Column("version", lambda row: row.stored.version),
    Column("variant", lambda row: row.stored.variant),
    Column("file", lambda row: row.stored.name),
    Column("size_bytes", lambda row: str(row.stored.size)),
    Column("sha256", lambda row: row.stored.sha256),
    Column("lifecycle", lambda row: row.stored.lifecycle),
    Column("verification", lambda row: row.state),
    Column("verified_at", lambda row: row.verification.verified_at.isoformat() if row.verification else ""),
    Column("digest_from", lambda row: row.stored.digest_from),
    Column("added_at", lambda row: row.stored.added_at.isoformat()),
)


def write_stored(found: StoreList, place: TablePlace) -> None:
    """A row for each bundle. Raises as `write_where`."""
    _write(STORED, found.bundles, place)
    output.findings_aside(found.findings)


Gap = tuple[str, "Finding"]
GAPS: tuple[Column[Gap], ...] = (
    Column("domain", lambda gap: gap[0]),
    Column("level", lambda gap: gap[1].level.value),
    Column("code", lambda gap: gap[1].code),
    Column("subject", lambda gap: gap[1].subject),
    Column("message", lambda gap: gap[1].message),
    Column("hint", lambda gap: gap[1].hint),
)


def write_gaps(found: FoundGaps, place: TablePlace) -> int:
    """A row for each finding, and how many checks could not be made; the exit status. Raises as `write_where`."""
    reports = list(found.reports)
    rows: list[Gap] = [("", about) for about in found.given.findings]
    rows += [(report.domain, finding) for report in reports for finding in report.findings]
    _write(GAPS, rows, place)
    made, lacking = (sum(counts) for counts in zip(*((r.checks_made, r.checks_not_made) for r in reports), strict=True))
    output.aside(f"{counted(made, 'check')} made, {lacking} could not be made")
    return exit_status([finding for _, finding in rows])
