"""What a name that a user gives means: a component, a server, a place, a kind, a model; and what is most like it.

Rules: what an index has not is looked for in the table before it is called unknown; a name is taken for the first of
_LEVELS that has it; a hint is never the word that was given, and comes from the same level where that has one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from difflib import SequenceMatcher, get_close_matches
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import some
from bundlekeeper.ledger.ask.types import Selector, Words, words_of
from bundlekeeper.ledger.event import seals
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.rows import counts, events_of
from bundlekeeper.ledger.record.ledger import Ledger

#: What a name may be of, in the order in which it is asked; the fields of a Selector.
_LEVELS = ("component", "parent", "site", "domain", "kind", "model", "name")
_LIKE = (
    "site",
    "domain",
    "kind",
    "model",
    "name",
    "parent",
    "component",
)  # in which a like name is looked for, the first wins
_PLACE = ("site", "domain", "chassis", "slot")
_OPTIONS = (*_PLACE, "kind", "model")
_NEARBY = 0.2  # of likeness: what it is worth to be at the place that was named
_ANY = ("?", "-")  # in a place as it is printed: not known, none


def find(ledger: Ledger, name: str) -> Selector:
    """Make a selector of a name that a user gives: one of _LEVELS, a tag, or a path.

    A path is `site/domain/chassis/slot` or its beginning, also without the site; `?` and `-` in it are any. Raises
    InputError, with the nearest name, where nothing of that name was ever recorded; DamagedError, LockedError,
    UnfinishedError.
    """
    with ledger.reading():
        for key in _LEVELS:
            level: dict[str, Any] = {key: name}
            if _exists(ledger, level):
                return Selector(**level)
        if tagged(ledger, name):
            return Selector(tag=name)
        paths = _paths(name)
        for levels in paths:
            if _exists(ledger, levels):
                return Selector(**levels)
        _insist_on_absent(ledger, name, paths)
        from bundlekeeper.formats.text_file import shown

        raise InputError(f"nothing called {shown(name)} was ever recorded", hint=_hint(ledger, name))


def _paths(name: str) -> list[dict[str, Any]]:
    """The places that a path may mean."""
    found = []
    for levels in (_PLACE, _PLACE[1:]):
        steps = name.split("/", len(levels) - 1)
        if len(steps) > 1 and all(steps):
            found.append({key: step for key, step in zip(levels, steps, strict=False) if step not in _ANY})
    return [levels for levels in found if levels]


def _hint(ledger: Ledger, name: str) -> str:
    """What may have been meant; of a path, by the first step that nothing has, beside what there is."""
    for levels in _paths(name):
        steps = list(levels.items())
        for end in range(len(steps) - 1, 0, -1):
            above = dict(steps[:end])
            if _exists(ledger, above):
                key, step = steps[end]
                there, place = _texts(ledger, key, above), "/".join(above.values())
                close = _closest(step, there, 0.5)
                return f"did you mean '{place}/{close}'?" if close else f"{place} has {key} {some(there)}"
    found = [close for level in _LIKE if (close := _closest(name[:200], _texts(ledger, level), 0.75))]
    close = max(found, key=lambda word: _likeness(name, word), default="")
    return f"did you mean {close!r}?" if close else "give a serial, a name, a tag, a site, a domain, or a place"


def _likeness(one: str, other: str) -> float:
    """From 0 to 1, whatever the case of letters."""
    return SequenceMatcher(None, one.casefold(), other.casefold()).ratio()


def _texts(ledger: Ledger, level: str, within: Mapping[str, Words] | None = None) -> list[str]:
    """The recorded words of a level, where the levels of `within` have these words."""
    terms, values = [f"{level} IS NOT NULL"], list[int]()
    for key, words in (within or {}).items():
        numbers = _numbers(ledger, key, words)
        terms.append(f"{key} IN ({','.join('?' * len(numbers))})")
        values.extend(numbers)
    select = f"SELECT DISTINCT {level} FROM state WHERE {' AND '.join(terms)} LIMIT 100000"  # noqa: S608  (levels)
    numbers = [number for (number,) in ledger.connection.execute(select, values)]
    ledger.words.fetch(set(numbers))
    return sorted(text for number in numbers if 0 < len(text := ledger.words.text(number)) < 100)


def _closest(name: str, known: Sequence[str], least: float) -> str:
    """The one of `known` that is most like the name and is not the name; in other letters, above all."""
    others = {text.casefold(): text for text in known if text != name}
    near = get_close_matches(name.casefold(), others, 1, least)
    return others[near[0]] if near else ""


def ever(ledger: Ledger, level: str, value: str) -> bool:
    """True when an event ever named `value` as one of _OPTIONS; a slot also by a position in it.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    with ledger.reading():
        if level == "slot":
            return bool(slot_words(ledger, value))
        number = ledger.words.surely(value)
        if level not in _OPTIONS or number is None:
            return False
        # a state, now or of the past, is found quickly; only what was undone must be looked for among all events
        return any(
            ledger.connection.execute(f"SELECT 1 FROM {table} WHERE {level} = ? LIMIT 1", (number,)).fetchone()  # noqa: S608
            for table in ("state", "event")
        )


def nearest(
    ledger: Ledger, level: str, value: str, others: Iterable[str] = (), within: Mapping[str, Words] | None = None
) -> str:
    """The recorded word of a level, or one of `others`, that is most like `value`; "" where none is like it.

    One that was recorded together with the words of `within` comes first. Raises DamagedError, LockedError,
    UnfinishedError.
    """
    with ledger.reading():
        beside = _closest(value, _texts(ledger, level, within), 0.5) if within else ""
        close = _closest(value, [*_texts(ledger, level), *others], 0.5)
    return beside if beside and _likeness(value, beside) + _NEARBY >= _likeness(value, close) else close


def slot_words(ledger: Ledger, slot: str) -> tuple[int, ...]:
    """The slot and every position in it: words from `3/` up to, and without, `30`, the character after `/`.

    Raises DamagedError.
    """
    select = "SELECT id FROM word {} WHERE text = ? OR (text >= ? AND text < ?)"
    found, other = (
        {number for (number,) in ledger.connection.execute(select.format(index), (slot, f"{slot}/", f"{slot}0"))}
        for index in ("INDEXED BY sqlite_autoindex_word_1", "INDEXED BY word_text")
    )
    if found != other:
        raise DATABASE.damaged("the index of its words lacks one")
    ledger.words.fetch(found)
    return tuple(sorted(found))


def tagged(ledger: Ledger, tag: str) -> list[int]:
    """The components that have, or had, a tag. Raises DamagedError."""
    number = ledger.words.surely(tag)
    select = "SELECT component{} FROM tagged WHERE {}tag = ?"
    found, other = (
        {row[0] for row in ledger.connection.execute(select.format(cell, plus), (number,))}
        for cell, plus in (("", ""), (", seal", "+"))  # by its index; by the table, as no index has the seal
    )
    if found != other:
        raise seals.derived("tags of components are missing")
    return sorted(found)


def _numbers(ledger: Ledger, key: str, words: Words) -> list[int]:
    if key == "slot":
        return sorted({number for slot in words_of(words) for number in slot_words(ledger, slot)})
    return [number for text in words_of(words) if (number := ledger.words.surely(text)) is not None]


def _exists(ledger: Ledger, levels: Mapping[str, str], *, in_table: bool = False) -> bool:
    """Whether a component was ever there; with `in_table`, by the table, and not by an index."""
    numbers = {key: _numbers(ledger, key, value) for key, value in levels.items()}
    if not all(numbers.values()):
        return False
    # no index has the seal, and none is on the result of a function: SQLite must read the table
    cell, term = ("seal", "coalesce({}, 0) IN ({})") if in_table else ("1", "{} IN ({})")
    where = " AND ".join(term.format(key, ",".join("?" * len(words))) for key, words in numbers.items())
    select = f"SELECT {cell} FROM state WHERE {where} LIMIT 1"  # noqa: S608  (levels)
    values = [number for words in numbers.values() for number in words]
    return bool(ledger.connection.execute(select, values).fetchone())


def _insist_on_absent(ledger: Ledger, name: str, paths: Iterable[Mapping[str, str]]) -> None:
    """Insist that what no index has is not in the tables either. Raises DamagedError."""
    for levels in [*({key: name} for key in _LEVELS), *paths]:
        if _exists(ledger, levels, in_table=True):
            raise seals.derived("an index lacks a name that its table has")
    number = ledger.words.find(name)
    if number is not None and any(map(counts, events_of(ledger.connection, number))):
        raise seals.derived("the state of a component is missing")
