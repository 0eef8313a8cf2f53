"""The user's map: what a service's firmware items are, where the service does not state it clearly.

A TOML file; entries are tried in the order of the file, the first that fits an item is used, and it comes before
anything that the service states::

    redfish = 1                                  # format

    [[map]]
    # which items: every key that is given must fit, at least one is needed; * is any text, ? is one character;
    # an odata_id that is a component's own address is about the component
    service = "https://bmc-3.holm.example"       # the service's address
    odata_id = "/redfish/v1/UpdateService/FirmwareInventory/CPLD*"
    id = "CPLD-1"
    name = "Board logic*"
    software_id = "MB4-CPLD"
    # what they are
    kind = "board-logic"                         # one of the inventory's kinds; an existing one is used
    of = "/redfish/v1/Systems/1"                 # the resource whose place, model and serial are used (* too)
    model = "Tern-4"                             # each of these replaces what the service states
    serial = "HOLM-R2-L"                         # the component's own
    parent = "HOLM-R2"                           # its server's or chassis's serial
    slot = "3/1"
    bank = "active"                              # active, pending or spare
    site = "holm"
    domain = "holm-a"
    chassis = "1"
    note = "as read off the board"

    [[map]]
    name = "Driver pack*"
    skip = "no firmware"                         # instead of kind: known, and not needed

Rules: every problem at once, each at its line and column, an unknown key or kind with a did-you-mean; pure.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Code, Finding, Level
from bundlekeeper.formats import limits, toml_positions, toml_read
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.text_file import SourceText, shown
from bundlekeeper.model.inventory.cells import suggest
from bundlekeeper.model.vocabulary import KINDS, SINGLE_BANKS

FORMAT = 1
OPEN = "…"  # what a drafted entry has where a person must fill something in
_MAX_TEXT = 1024
_MAX_PROBLEMS = 200

#: Keys that state which items an entry means, and those that state what they are, each with its meaning.
MATCH = {
    "service": "which items: those of this service, by its address; `*` is any text, `?` one character, here and below",
    "odata_id": "which items: by their address in the service; a component's own address means that component",
    "id": "which items: by their Id",
    "name": "which items: by their Name",
    "software_id": "which items: by their SoftwareId",
}
GIVE = {
    "kind": "what they are: a kind of the inventory; where the service has a component of it, that one is meant",
    "of": "which component, where the service has several: the address of its server, its chassis or itself",
    "model": "its model, instead of what the service states, as each key below",
    "serial": "its own serial",
    "parent": "the serial of its server or chassis",
    "slot": "its slot; in a server its position after a slash: `3/1`",
    "bank": f"which bank the item is in: {', '.join(f'`{bank}`' for bank in SINGLE_BANKS)}",
    "site": "its site",
    "domain": "its domain",
    "chassis": "its chassis",
}
OTHERS = {"skip": "instead of `kind`: why these items are not needed", "note": "free text"}
_KEYS = (*MATCH, *GIVE, *OTHERS)

#: Codes of what reading a map finds.
MAP_CODES: dict[str, Code] = {
    "map-key": Code(Level.ERROR, "a key that a map does not have"),
    "map-missing": Code(Level.ERROR, "a required key is missing"),
    "map-value": Code(Level.ERROR, "a value that its key cannot have"),
}


@dataclass(frozen=True, slots=True)
class MapEntry:
    """One [[map]] table; None where a key is not given."""

    service: str | None = None
    odata_id: str | None = None
    id: str | None = None
    name: str | None = None
    software_id: str | None = None
    kind: str | None = None
    of: str | None = None
    model: str | None = None
    serial: str | None = None
    parent: str | None = None
    slot: str | None = None
    bank: str | None = None
    site: str | None = None
    domain: str | None = None
    chassis: str | None = None
    skip: str | None = None
    note: str | None = None

    def fits(self, facts: Mapping[str, str | None]) -> bool:
        """True when every key of MATCH that is given fits the item's `facts`, by the same names."""
        return all(pattern is None or matches(pattern, facts.get(key)) for key, pattern in self._asked())

    def _asked(self) -> list[tuple[str, str | None]]:
        return [(key, getattr(self, key)) for key in MATCH]


def matches(pattern: str, text: str | None) -> bool:
    """True when `text` fits `pattern`, where `*` is any text and `?` one character; case counts."""
    if text is None:
        return False
    literal = pattern.replace("[", "[[]")
    return fnmatch.fnmatchcase(text.rstrip("/") or text, literal.rstrip("/") or literal)


def read_map(data: bytes, *, name: str, own_kinds: Collection[str] = ()) -> tuple[MapEntry, ...]:
    """Read a map; `name` is what problems call the file.

    Raises InputError whose `problems` are findings of MAP_CODES: all of them, or the first 200.
    """
    source, raw = toml_read.load(data, name=name, max_bytes=limits.REDFISH_MAP_BYTES)
    reading = _Reading((*KINDS, *own_kinds))
    entries = reading.document(raw)
    if not reading.problems:
        return entries
    count = len(reading.problems)
    raise InputError(
        f"the map has {count} problem{'' if count == 1 else 's'}",
        hint="fix the lines that are named",
        where=name,
        problems=_placed(source, reading.problems[:_MAX_PROBLEMS]),
    )


@dataclass(frozen=True, slots=True)
class _Problem:
    code: str
    path: toml_positions.Path
    message: str
    hint: str = ""


class _Reading:
    def __init__(self, kinds: Collection[str]) -> None:
        self.kinds = kinds
        self.problems: list[_Problem] = []

    def document(self, raw: Mapping[str, Any]) -> tuple[MapEntry, ...]:
        """The entries; not to be used where there is a problem."""
        for key in raw:
            if key not in ("redfish", "map"):
                hint = suggest(key, ("redfish", "map")) or "a map has redfish = 1 and tables [[map]]"
                self._problem("map-key", (key,), f"a map has no {shown(key)}", hint)
        if "redfish" not in raw:
            message = "the file does not say that it is a map for Redfish services"
            self._problem("map-missing", (), message, f"write redfish = {FORMAT} on top")
        elif type(raw["redfish"]) is not int or raw["redfish"] != FORMAT:
            message = f"the map has format {shown(raw['redfish'])}; this program reads format {FORMAT}"
            self._problem("map-value", ("redfish",), message)
        rows = raw.get("map", [])
        if not isinstance(rows, list):
            self._problem("map-value", ("map",), "map is not a list of tables", "write [[map]]")
            return ()
        return tuple(entry for number, row in enumerate(rows) if (entry := self._entry(("map", number), row)))

    def _entry(self, path: toml_positions.Path, row: object) -> MapEntry | None:
        if not isinstance(row, Mapping):
            self._problem("map-value", path, "is not a table", "write [[map]]")
            return None
        before = len(self.problems)
        for key, value in row.items():
            if key not in _KEYS:
                hint = suggest(key, _KEYS) or f"the keys are {', '.join(_KEYS)}"
                self._problem("map-key", (*path, key), f"a map entry has no key {shown(key)}", hint)
            else:
                self._value((*path, key), key, value)
        if not any(key in row for key in MATCH):
            message = "the entry does not say which items it means"
            self._problem("map-missing", path, message, f"give at least one of {', '.join(MATCH)}")
        if "skip" in row:
            for key in GIVE:
                if key in row:
                    message = f"{key} is beside skip, which says that the item is no component"
                    self._problem("map-value", (*path, key), message, "keep one of the two")
        elif "kind" not in row:
            message = "the entry does not say what the items are"
            self._problem("map-missing", path, message, 'give a kind, or skip = "REASON"')
        if before < len(self.problems):
            return None
        return MapEntry(**{key: value.strip() for key, value in row.items()})

    def _value(self, path: toml_positions.Path, key: str, value: object) -> None:
        if not isinstance(value, str):
            self._problem("map-value", path, f"{key} is {shown(value)}, not text", "put it in quotes")
        elif not value.strip() or len(value) > _MAX_TEXT or (key != "note" and visible(value) != value):
            message = f"{key} is empty, longer than {_MAX_TEXT} characters, or cannot be printed"
            self._problem("map-value", path, message, "leave out the key where it has no value")
        elif value.strip() == OPEN and key != "note":
            self._problem("map-value", path, f"{key} is not filled in yet", "fill it in, or leave out the key")
        elif key == "kind" and value.strip() not in self.kinds:
            hint = suggest(value, self.kinds) or f"the kinds are {', '.join(self.kinds)}"
            self._problem("map-value", path, f"{shown(value)} is not a known kind", hint)
        elif key == "bank" and value.strip() not in SINGLE_BANKS:
            hint = suggest(value, SINGLE_BANKS) or f"the banks are {', '.join(SINGLE_BANKS)}"
            self._problem("map-value", path, f"{shown(value)} is not a bank", hint)

    def _problem(self, code: str, path: toml_positions.Path, message: str, hint: str = "") -> None:
        self.problems.append(_Problem(code, path, message, hint))


def _placed(source: SourceText, problems: list[_Problem]) -> list[Finding]:
    """The problems with their places, in the order of the file."""
    found = toml_positions.places(source.text, {p.path for p in problems})
    rows = []
    for problem in problems:
        place = toml_positions.nearest(found, problem.path)
        on_key = problem.code == "map-key"
        start = place.key_start if on_key else place.start
        line, column = source.position(start)
        subject = ".".join(key if isinstance(key, str) else f"[{key}]" for key in problem.path).replace(".[", "[")
        row = Finding(
            problem.code,
            MAP_CODES[problem.code].level,
            subject or source.name,
            problem.message,
            problem.hint,
            source.where(line, column),
            source.excerpt(column, start),
        )
        rows.append((start, row))
    return [row for _, row in sorted(rows, key=lambda pair: pair[0])]
