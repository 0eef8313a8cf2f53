"""What the columns of a sheet hold, by their headings: a key, the version of a kind, or nothing that is known.

Rules: case, blanks and punctuation of a heading do not count; without a column map only the keys themselves and words
that mean nothing else are understood; everything else is ignored, by name, where nothing that is needed is missing,
but never a heading that may be a version's: that is a problem, also beside a map that does not mention it; a heading
that may mean something is a guess, which only the draft of a map makes. The words are common practice.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import field, replace
from difflib import get_close_matches

from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory.types import ANSWER_COLUMNS, COMPONENT_KEYS, NEEDED
from bundlekeeper.model.vocabulary import ACTIVE, KINDS

#: Other headings for a key that mean nothing else.
_SURE = {
    "name": "hostname host servername",
    "tags": "tag assettag asset assetnumber",
    "serial": "serialnumber serialno sn hardwareserial",
    "parent": "parentserial serverserial",
    "site": "sitename datacenter datacentre",
    "chassis": "chassisname enclosure",
    "slot": "slotnumber slotno bay",
    "model": "modelname",
    "kind": "componentkind componenttype",
    "active": "version firmware firmwareversion fwversion activeversion runningversion currentversion",
    "pending": "pendingversion",
    "staged": "stagedversion",
    "note": "notes comment comments remark remarks",
}
#: Headings that often mean the key, and sometimes something else; German ones, too.
_GUESSED = {
    "name": "server device system machine nodename fqdn rechnername gerätename",
    "tags": "rack rackunit racku unit u ru position barcode inventorynumber inventarnummer assetnr",
    "serial": "seriennummer seriennr",
    "site": "location building standort rechenzentrum gebäude",
    "domain": "domainname manager domäne",
    "chassis": "gehäuse",
    "slot": "steckplatz einschub",
    "model": "type product hardware modell modellname modellbezeichnung typ",
    "note": "bemerkung bemerkungen anmerkung kommentar",
    "spare": "spareversion previousversion",
    "cluster": "clustername",
    "policy": "policyname firmwarepolicy",
}
_VERSION_WORDS = frozenset(("version", "firmware", "fw", "ver", "release", "active", "current", "running"))
_FIRMWARE_WORDS = frozenset(("versions", "fwversion", "firmwares", "build", "image", "images", "patch", "microcode"))
_JOINED = {"tags": "|", "note": "; "}  # keys that several columns may hold, and what goes between their cells
_COMPONENT = "component"


@dataclass(frozen=True, slots=True)
class SheetColumn:
    """What one column holds: `key`, of the component of `kind` at `position` in the server where a kind is named.

    Without a key the column is not understood, or it is `ignored`. `sure` is false for a guess.
    """

    heading: str
    key: str = ""
    kind: str = ""
    position: str = ""
    ignored: bool = False
    sure: bool = True


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """What a user states about the columns of a sheet; headings are folded.

    `keys` maps a heading to a key, `versions` one to kind, position in the server and bank; `values` are what all rows
    have. `headings` are those as written, by the folded ones; `review` are the lines that are still to be reviewed.
    """

    name: str
    keys: Mapping[str, str]
    versions: Mapping[str, tuple[str, str, str]]
    ignored: frozenset[str]
    values: Mapping[str, str]
    headings: Mapping[str, str]
    review: tuple[int, ...] = ()


def fold(heading: str) -> str:
    """The heading without case, blanks and punctuation; itself where nothing else is in it."""
    return re.sub(r"[\W_]+", "", heading.casefold()) or heading.strip()


def _by_word(words: Mapping[str, str]) -> dict[str, str]:
    return {word: key for key, all_words in words.items() for word in all_words.split()}


@dataclass(frozen=True, slots=True)
class Headings:
    """Understands the headings of sheets: of `tables` with these keys and components of these kinds, by a map or not.

    `as_written` is for a sheet of which nothing is understood yet: each column holds what its heading says.
    """

    tables: Mapping[str, Collection[str]]
    own_kinds: Collection[str] = ()
    map: ColumnMap | None = None
    as_written: bool = False
    _words: dict[str, dict[str, str]] = field(init=False)
    _kinds: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        component = self.tables[_COMPONENT]
        known = {key: word for word, key in _by_word(_SURE).items() if key in component}
        words = {table: {fold(key): key for key in keys} for table, keys in self.tables.items()}
        words[_COMPONENT] |= {word: key for word, key in _by_word(_SURE).items() if key in known}
        kinds = {fold(kind): kind for kind in (*self.own_kinds, *KINDS)}
        kinds |= {fold(called): kind for kind, facts in KINDS.items() for called in facts.called}
        object.__setattr__(self, "_words", words)
        object.__setattr__(self, "_kinds", kinds)

    def of(self, headings: Sequence[str]) -> tuple[str, list[SheetColumn]]:
        """The table that a row of headings belongs to, the first among equals, and what each column holds."""
        if self.as_written:
            return _COMPONENT, [SheetColumn(heading, heading) for heading in headings]
        if self.map is not None and any(fold(heading) in self.map.headings for heading in headings):
            return _COMPONENT, [self._mapped(heading, self.map) for heading in headings]
        columns = {table: [self.understood(heading, table) for heading in headings] for table in self.tables}
        table = max(columns, key=lambda name: sum(bool(column.key) for column in columns[name]))
        found = columns[table]
        if {column.key for column in found if not column.kind} & {"kind", *_banks()}:  # one row a component
            found = [SheetColumn(column.heading) if column.kind else column for column in found]
        if table == _COMPONENT and _is_enough(found):
            found = [replace(column, ignored=self._is_not_needed(column)) for column in found]
        return table, found

    def _is_not_needed(self, column: SheetColumn) -> bool:
        """True for a heading that can be ignored: it is no key's, nor nearly one, and is no version's."""
        if column.key or not column.heading or column.heading in ANSWER_COLUMNS:
            return False
        words = [fold(key) for key in self.tables[_COMPONENT]]
        return not self.may_be_version(column.heading) and not get_close_matches(fold(column.heading), words, 1, 0.8)

    def may_be_version(self, heading: str) -> bool:
        """True for a heading with a word that is of firmware, or a kind's name."""
        words = set(re.findall(r"[^\W_]+", heading.casefold()))
        return bool(words & {*_VERSION_WORDS, *_FIRMWARE_WORDS, *_banks(), *self._kinds} or self._version(heading).kind)

    def knows(self, heading: str) -> bool:
        """True where a heading alone is understood, in any table."""
        word = fold(heading)
        if self.map is not None and word in self.map.headings:
            return True
        return any(word in words for words in self._words.values()) or self._version(heading).sure

    def understood(self, heading: str, table: str = _COMPONENT, *, guess: bool = False) -> SheetColumn:
        """What a column with this heading holds; with `guess` also what it may hold."""
        word = fold(heading)
        if key := self._words[table].get(word):
            return SheetColumn(heading, key)
        if table != _COMPONENT:
            return SheetColumn(heading)
        if (found := self._version(heading)).key and (found.sure or guess):
            return found
        key = _by_word(_GUESSED).get(word, "") if guess else ""
        return SheetColumn(heading, key if key in self.tables[table] else "", sure=False)

    def _version(self, heading: str) -> SheetColumn:
        """A column of one kind's versions: `BIOS`, `BMC firmware`, `NIC 2 version`, `BIOS staged`."""
        words = re.findall(r"[^\W_]+", heading.casefold())
        banks = [word for word in words if word in _banks() and word != ACTIVE]
        rest = [word for word in words if word not in _VERSION_WORDS and word not in banks]
        position = rest.pop() if len(rest) > 1 and rest[-1].isdigit() else ""
        kind = self._kinds.get("".join(rest), "")
        if not kind or len(banks) > 1:
            return SheetColumn(heading, sure=False)
        facts = KINDS.get(kind)
        # a column that is called like a disk may hold its size
        sure = len(rest) < len(words) - bool(position) or facts is None or facts.by_name
        return SheetColumn(heading, banks[0] if banks else ACTIVE, kind, position, sure=sure)

    def _mapped(self, heading: str, column_map: ColumnMap) -> SheetColumn:
        word = fold(heading)
        if key := column_map.keys.get(word):
            return SheetColumn(heading, key)
        if version := column_map.versions.get(word):
            kind, position, bank = version
            return SheetColumn(heading, bank, kind, position)
        return SheetColumn(heading, ignored=word in column_map.ignored or not self.may_be_version(heading))


def _is_enough(columns: Sequence[SheetColumn]) -> bool:
    """True where the columns have every key that a row needs, and what a component is named by."""
    keys = {"kind" for column in columns if column.kind} | {column.key for column in columns}
    return keys.issuperset(NEEDED) and not keys.isdisjoint(("serial", "parent"))


def _banks() -> tuple[str, ...]:
    """The keys that hold one version each."""
    return tuple(name for name, key in COMPONENT_KEYS.items() if key.cell in ("version", "running"))


def joined(key: str, cells: Sequence[object]) -> object:
    """The cell of a key that one or several columns hold; whole numbers of names and tags are text."""
    if key in (*_JOINED, "name"):
        cells = [str(cell) if type(cell) is int else cell for cell in cells]
    if len(cells) == 1 or not all(isinstance(cell, str) for cell in cells):
        return cells[0]
    return _JOINED[key].join(map(str, cells))


def may_repeat(key: str) -> bool:
    """True for a key that several columns of a sheet may hold."""
    return key in _JOINED


def holds_version(key: str) -> bool:
    """True for the keys whose cells are a single version."""
    return key in _banks()
