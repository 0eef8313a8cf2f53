"""What the user states of components: by options of a command, or by rows of a file, which overrule the options."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from types import MappingProxyType
from typing import Any, NamedTuple, TypeVar

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.recording.selection import Places
from bundlekeeper.model.inventory.tables import csv_rows
from bundlekeeper.model.inventory.types import ANSWER_COLUMNS, COMPONENT_KEYS, Component, identity
from bundlekeeper.model.vocabulary import SINGLE_BANKS

_STATED = (*SINGLE_BANKS, "staged", "healthy", "note")  # keys of a component that an observation states
MAX_SHOWN = 50  # rows that are reported of one file


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be recorded, as given. `failed` is why an activation failed."""

    verb: str
    bundle: str = ""
    version: str = ""
    bank: str = ""
    active: str | None = None
    pending: str | None = None
    spare: str | None = None
    staged: str | None = None
    healthy: str | None = None
    failed: str | None = None
    no_answer: str = ""
    removed: str = ""


@dataclass(frozen=True, slots=True)
class RecordDetails:
    """When it was, reported by whom, and the other details."""

    at: str | None = None
    zone: str = ""
    reported_by: str | None = None
    done_by: str = ""
    approved_by: str = ""
    change: str = ""
    plan: str = ""
    evidence: str = "none"
    before: list[str] | None = None
    after: list[str] | None = None
    deviations: str = ""
    note: str = ""
    anyway: str = ""


class RecordStatement(NamedTuple):
    """One statement, and the row of a file that it is from ("" for the command line).

    `described` is what the row of an inventory or of an exported answer says of its component besides, by its key.
    Where it was `exported`, a version that still is as the ledger has it states nothing new.
    """

    asked: Asked
    places: Places
    details: RecordDetails
    where: str = ""
    described: Mapping[str, str] = MappingProxyType({})
    exported: bool = False


#: Columns of a file of what was done, in the order of the groups of options.
COLUMNS = tuple(key.name for group in (Places, Asked, RecordDetails) for key in fields(group) if key.name != "verb")

_T = TypeVar("_T", Asked, Places, RecordDetails)


def statements(file: str | None, options: RecordStatement) -> tuple[list[RecordStatement], list[str]]:
    """One statement, or one for each row of the file, which overrules the options; and what is wrong with other rows.

    Raises InputError where no component is named, and for a file whose column names cannot be read.
    """
    if file is None:
        if options.places == Places():
            raise InputError("no component is named", hint="a serial, a place, --site/--domain/--kind/…, or --file")
        return [options], []
    keys = {*COLUMNS}
    if options.asked.verb == "observe":
        keys |= {*COMPONENT_KEYS, *ANSWER_COLUMNS}
    data = read_bounded(file, limits.RECORDED_FILE_BYTES, "the file")
    try:
        lines = data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n").split("\n")
        starts, table = csv_rows(file, lines, lambda title: title.strip().replace("-", "_") in keys)
    except (UnicodeDecodeError, InputError) as error:
        hint = "save it as CSV in UTF-8, with the column names in the first row"
        raise InputError(f"this is not a CSV file: {error}", where=file, hint=hint) from error
    if not table:
        raise InputError("the file is empty", where=file)
    titles = [title.strip().replace("-", "_") for title in table[0]]
    unknown = [f"{file}:1: column {title!r} is not known" for title in titles if title not in keys]
    unknown += [f"{file}:1: two columns are called {t!r}" for n, t in enumerate(titles) if t in titles[:n]]
    rows: list[RecordStatement] = []
    wrong: list[str] = []
    for number, row in zip(starts[1:], table[1:], strict=True):
        if len(row) != len(titles):
            wrong.append(f"{file}:{number}: {len(row)} cells, but {len(titles)} columns")
        elif not unknown:
            given = {k: c.strip() for k, c in zip(titles, row, strict=True) if c.strip()}
            try:
                rows.append(_statement(options, given, f"{file}:{number}"))
            except InputError as error:
                wrong.append(f"{file}:{number}: {error.whole}")
    if unknown:
        message = "; ".join([*unknown, *wrong][:MAX_SHOWN])
        raise InputError(message, where=file, hint=f"columns: {', '.join(sorted(keys))}")
    return rows, wrong


def _statement(options: RecordStatement, given: Mapping[str, str], where: str) -> RecordStatement:
    """The statement of one row. Raises InputError."""
    lists = {key: given[key].split(";") for key in ("before", "after") if key in given}
    asked, details = _with(options.asked, given), _with(options.details, {**given, **lists})
    component = _component_of(given)
    if not component:
        places = {key: cell if key == "name" else (cell,) for key, cell in given.items()}
        return RecordStatement(asked, _with(options.places, places), details, where)
    described = {key: cell for key, cell in given.items() if key in COMPONENT_KEYS and key not in _STATED}
    exported = any(key in given for key in ANSWER_COLUMNS)
    return RecordStatement(asked, replace(options.places, name=component), details, where, described, exported)


def _component_of(given: Mapping[str, str]) -> str:
    """The component that a row of an inventory or of an exported answer is about; "" for any other row.

    Raises InputError where its serial is another one.
    """
    component, serial = given.get("component", ""), given.get("serial", "")
    if not component and not serial and given.get("parent", "-") != "-" and "kind" in given:
        slot = given.get("slot")
        component = identity(Component(given["kind"], "", "", slot=slot, parent=given["parent"]))
    if component and serial not in ("", "-", component):
        raise InputError(f"component is {component} and serial is {serial}: two components")
    return component or ("" if serial == "-" else serial)


def _with(base: _T, given: Mapping[str, Any]) -> _T:
    names = {field.name for field in fields(base)}
    return replace(base, **{k: v for k, v in given.items() if k in names})
