"""One cell of an inventory at a time: what each key may have, and what is wrong with other values.

Rules: the same rules for TOML, JSON, CSV and spreadsheets; an empty cell is None (not known), `-` is the empty text
(known to be none); a number where a version belongs is refused, because a number has lost its final zeros; a converter
returns a value or raises `BadCellError`, never anything else.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from datetime import date, datetime, time
from functools import lru_cache

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Code, Level
from bundlekeeper.formats import limits, moments
from bundlekeeper.formats.escape import visible
from bundlekeeper.model.inventory.types import COMPONENT_KEYS, EVERYWHERE, NEEDED, NONE, PLACES, ComponentKey
from bundlekeeper.model.vocabulary import APPLIES, KINDS, SERVER_FAMILIES

#: Codes of what reading an inventory finds (a list beside the one of `findings`, as lint has its own).
INVENTORY_CODES: dict[str, Code] = {
    "inventory-syntax": Code(Level.ERROR, "the file is not the TOML, JSON, CSV or spreadsheet that it should be"),
    "inventory-key": Code(Level.ERROR, "a key or column that an inventory does not have"),
    "inventory-missing": Code(Level.ERROR, "a value that must be there is not"),
    "inventory-value": Code(Level.ERROR, "a value that its key cannot have"),
    "inventory-twice": Code(Level.ERROR, "the same thing is in the inventory twice"),
    "inventory-reference": Code(Level.ERROR, "a row names a component that the inventory does not list"),
}

Converter = Callable[[object], object]
_SPLIT = re.compile(r"[|,;]")
_INSIDE = re.compile(r"[,;]")
_DIGITS = re.compile(r"[0-9]{1,19}")
_YES, _NO = frozenset({"yes", "true"}), frozenset({"no", "false"})
_QUOTES_HINT = "write it as text, in quotes; a number has lost its final zeros (6.10 became 6.1)"
_NUMBER_HINT = "write it as text (in quotes, or in a cell of text); a number has lost its leading zeros"
_NOT_KNOWN = frozenset(["n/a", "na", "n.a.", "tbd", "tba", "todo", "unknown", "none", "null", "nil"])
_NOT_KNOWN_HINT = "leave it empty where it is not known"
_NO_VERSION_HINT = f"{_NOT_KNOWN_HINT}, - where there is none"
_CELL_HINT = "format the cell as text and write it again; the spreadsheet has changed what was typed"


class BadCellError(Exception):
    """A value that its key cannot have."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


def text(value: object) -> str | None:
    """A piece of text, without blanks around it. Raises BadCellError."""
    if type(value) is not str:
        if value is None:
            return None
        raise BadCellError(f"is {_shape(value)}, not text", _hint_for(value))
    return _text(value)


@lru_cache(maxsize=8192)  # an inventory has the same few words a hundred thousand times
def _text(value: str) -> str | None:
    found = value.strip()
    if not found:
        return None
    if len(found) > limits.TEXT_CHARACTERS:
        raise BadCellError(f"has {len(found)} characters, {limits.TEXT_CHARACTERS} are the limit")
    if not (found.isascii() and found.isprintable()) and visible(found) != found:
        raise BadCellError(f"has characters that cannot be printed: {visible(found)[:80]}", "write it again by hand")
    return NONE if found == "-" else found


def label(value: object) -> str | None:
    """Text that may be a whole number, such as a slot. Raises BadCellError."""
    return str(value) if type(value) is int and 0 <= value < 10**9 else text(value)


def version(value: object) -> str | None:
    """A version, as read: a placeholder, and text with commas inside, is none. Raises BadCellError."""
    if isinstance(value, date) and not isinstance(value, datetime):
        raise BadCellError(f"is the date {value}, not a version", _CELL_HINT)
    if isinstance(value, int | float) and not isinstance(value, bool):
        raise BadCellError("is a number, not text", _QUOTES_HINT)
    found = text(value)
    return _version(found) if found else found


@lru_cache(maxsize=8192)
def _version(found: str) -> str:
    if len(found) > limits.VERSION_CHARACTERS:
        raise BadCellError(f"is a version of {len(found)} characters, {limits.VERSION_CHARACTERS} are the limit")
    if found.casefold() in _NOT_KNOWN or found.startswith("#") or not any(map(str.isalnum, found)):
        raise BadCellError(f"is {found!r}, which is no version", _NO_VERSION_HINT)
    if _INSIDE.search(found):
        message = f"is {found!r}; no version has commas or semicolons inside"
        raise BadCellError(message, f"write one version as it is published; {_NO_VERSION_HINT}")
    return found


def running(value: object) -> str | None:
    """The version that runs: there always is one, so it is known or not, never none. Raises BadCellError."""
    try:
        found = version(value)
    except BadCellError as e:
        raise BadCellError(e.message, e.hint.replace(_NO_VERSION_HINT, _NOT_KNOWN_HINT)) from e
    if found == NONE:
        raise BadCellError("is none, but some version always runs", _NOT_KNOWN_HINT)
    return found


def versions(value: object) -> tuple[str, ...] | None:
    """Any number of versions: a list, or one text divided by `|`, `,` or `;`. Raises BadCellError."""
    return _many(value, version)


def texts(value: object) -> tuple[str, ...] | None:
    """Any number of names: a list, or one text divided by `|`, `,` or `;`. Raises BadCellError."""
    return _many(value, text)


def _many(value: object, one: Callable[[object], str | None]) -> tuple[str, ...] | None:
    if type(value) is list:
        found = [one(v) for v in value]
        if None in found or NONE in found:
            raise BadCellError("has an empty entry", "leave the entry out; an empty list means: known to be none")
        return tuple(v for v in found if v)
    if type(value) is not str:
        one(value)  # a number or a date is refused as one of them is
    whole = text(value)
    if whole is None:
        return None
    return tuple(v for entry in _SPLIT.split(whole) if entry.strip() and (v := one(entry)))


def flag(value: object) -> bool | None:
    """Yes or no. Raises BadCellError."""
    if value is None or type(value) is bool:
        return value
    found = text(value)
    if not found:
        return None
    folded = found.casefold()
    if folded in _YES or folded in _NO:
        return folded in _YES
    raise BadCellError(f"is {found!r}, neither yes nor no", "write yes or no; leave it empty where it is not known")


def count(value: object) -> int | None:
    """A number of bytes. Raises BadCellError."""
    if type(value) is int:
        number = value
    else:
        found = text(value)
        if not found:
            return None
        if not _DIGITS.fullmatch(found):
            raise BadCellError(f"is {found!r}, not a whole number of bytes", "write the digits only, in bytes")
        number = int(found)
    if not 0 <= number < 2**63:
        raise BadCellError(f"is {number}, more than a file system can have")
    return number


def choice(allowed: Collection[str]) -> Converter:
    """Make the converter for one word out of a closed list."""

    def convert(value: object) -> object:
        found = text(value)
        if not found:
            return None
        if found not in allowed:
            raise BadCellError(f"is {found!r}; it can be {_listed(allowed)}", suggest(found, allowed))
        return found

    return convert


def kind(own_kinds: Collection[str]) -> Converter:
    """Make the converter for kinds: the built-in ones and those of the manifest's [kind.X]."""
    known = {**dict.fromkeys(KINDS), **dict.fromkeys(own_kinds)}

    def convert(value: object) -> object:
        found = text(value)
        if found in known or not found:
            return found or None
        hint = suggest(found, known) or f"the kinds are {_listed(known)}; [kind.NAME] in a manifest adds one"
        raise BadCellError(f"is {found!r}, which is not a known kind", hint)

    return convert


def policy_versions(own_kinds: Collection[str]) -> Converter:
    """Make the converter for a policy's versions: by family or kind, or one version for both server families."""
    keys = (*SERVER_FAMILIES, *KINDS, *own_kinds)

    def convert(value: object) -> object:
        if isinstance(value, Mapping):
            pairs = [(str(k), version(v)) for k, v in value.items()]
        else:
            whole = text(value)
            if not whole:
                return None if whole is None else {}
            if "=" not in whole:
                return dict.fromkeys(SERVER_FAMILIES, version(whole))
            entries = [entry.partition("=") for entry in _SPLIT.split(whole) if entry.strip()]
            pairs = [(k.strip(), version(v)) for k, _, v in entries]
        for key, _ in pairs:
            if key not in keys:
                raise BadCellError(f"names {key!r}, neither a server family nor a kind", suggest(key, keys))
        if len(dict(pairs)) != len(pairs):
            raise BadCellError("names the same family or kind twice")
        return {key: found for key, found in pairs if found}

    return convert


def scope(value: object) -> tuple[str, ...] | None:
    """A policy's domains; `*` or `all` means every domain. Raises BadCellError."""
    found = texts(value)
    return (EVERYWHERE,) if found and (EVERYWHERE in found or found == ("all",)) else found


def when(value: object) -> date | datetime | None:
    """A date or a time, as TOML has them or as ISO 8601 text. Raises BadCellError."""
    if isinstance(value, date):  # a datetime is one too
        return value
    if isinstance(value, time):
        raise BadCellError("is a time without its day", "write 2026-03-01 or 2026-03-01T14:05+01:00")
    found = text(value)
    if not found:
        return None
    try:
        return moments.parse(found)
    except InputError as e:
        raise BadCellError(f"is {e.message}", e.hint) from e


def note(value: object) -> str | None:
    """Free text; line breaks are allowed. Raises BadCellError."""
    return text(" ".join(value.split()) if type(value) is str else value) or None


_CONVERTERS: dict[str, Converter] = {
    "text": text, "label": label, "running": running, "version": version, "versions": versions, "texts": texts,
    "flag": flag, "note": note,
}  # fmt: skip
_SHEET = sorted(
    COMPONENT_KEYS, key=lambda key: key not in (*PLACES, "parent")
)  # where it is comes first, as in a sheet


def _converter(key: ComponentKey, kinds: Converter) -> Converter:
    """What reads a key's cells. Raises KeyError for a form of cells that there is not."""
    return {**_CONVERTERS, "kind": kinds, "choice": choice(key.words)}[key.cell]


def tables(own_kinds: Collection[str]) -> dict[str, dict[str, Converter]]:
    """The keys of each table with their converters."""
    kinds = kind(own_kinds)
    return {
        "component": {key: _converter(COMPONENT_KEYS[key], kinds) for key in _SHEET},
        "partition": {"component": text, "name": text, "size_bytes": count, "free_bytes": count, "note": note},
        "policy": {
            "name": text, "versions": policy_versions(own_kinds), "applies": choice(APPLIES), "scope": scope,
            "note": note,
        },
        "separate_windows": {"domains": texts, "note": note},
    }  # fmt: skip


#: What each table must have. An empty one of these is an error, everything else may be unknown.
REQUIRED = {
    "component": tuple(key for key in _SHEET if key in NEEDED),
    "partition": ("component", "name"),
    "policy": ("name",),
    "separate_windows": ("domains",),
}


def suggest(word: str, known: Collection[str]) -> str:
    """`did you mean "…"?` where one known word is near, else nothing."""
    import difflib  # only where a word is wrong

    near = difflib.get_close_matches(word.casefold().strip().replace("_", "-"), list(known), 1, 0.6)
    near = near or difflib.get_close_matches(word.casefold().strip(), list(known), 1, 0.6)
    return f"did you mean {near[0]!r}?" if near else ""


def _listed(words: Collection[str]) -> str:
    return ", ".join(words)


def _shape(value: object) -> str:
    if isinstance(value, bool):
        return "yes or no"
    if isinstance(value, int | float):
        return "a number"
    if isinstance(value, datetime | date | time):
        return "a date"
    return "a list" if isinstance(value, list) else "a table" if isinstance(value, Mapping) else "something else"


def _hint_for(value: object) -> str:
    if isinstance(value, datetime | date | time):
        return _CELL_HINT
    return _NUMBER_HINT if isinstance(value, int | float) and not isinstance(value, bool) else ""
