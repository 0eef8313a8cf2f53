"""What a store asks for, STORE/store.toml: which signatures, how old a verification may be, who may use the store.

Rules: the store's owner writes it, no manifest and no medium can; with a file that cannot be read whole the store
admits nothing: every problem is an error and is reported, with its place, all at once. No file means the defaults.
TOML 1.0.0, by tomllib.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from datetime import date, datetime
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.formats import durations, limits
from bundlekeeper.formats.escape import meant
from bundlekeeper.formats.problems_in_text import Misread, misread_format, placed
from bundlekeeper.formats.text_file import SourceText, shown
from bundlekeeper.formats.toml_read import load
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.acceptance import Acceptance
from bundlekeeper.model.acceptance import problems as problems_of
from bundlekeeper.model.trust import FORMS
from bundlekeeper.model.vocabulary import FAMILIES

NAME = "store.toml"
FORMAT = 1
WHOLE_BYTES = 1 << 30  # 1 GiB of memory at most for one whole message
_MOST_WHOLE_BYTES = 1 << 36
# No field of group(5) has a colon; groups of a domain have blanks inside and backslashes.
_GROUP = re.compile(r"[^\s:,/\x00-\x1f\x7f-\x9f](?:[^:,/\x00-\x1f\x7f-\x9f]{0,254}[^\s:,/\x00-\x1f\x7f-\x9f])?")
_MOST_AGE_S = 100 * 366 * 86400
_AGES = "1s to 100 years"


@dataclass(frozen=True, slots=True)
class StoreSettings:
    """What one store asks for. `max_verification_age_s` is in seconds, None for no limit; `max_whole_bytes` in bytes.

    `group` is the name of a group of this system, empty for none.
    """

    signed_families: tuple[str, ...] = ()
    forms: tuple[str, ...] = FORMS
    signed_manifests: bool = False
    max_verification_age_s: int | None = None
    max_whole_bytes: int = WHOLE_BYTES
    group: str = ""
    accepted: tuple[Acceptance, ...] = ()

    def needs_signature(self, family: str) -> bool:
        """True when bundles of this family need a good signature."""
        return family in self.signed_families


def read_settings(data: bytes | None, *, where: str = NAME) -> StoreSettings:
    """Read store.toml; None (no file) gives the defaults.

    Raises InputError with every problem, each a finding with its line, column and caret.
    """
    if data is None:
        return StoreSettings()
    source, raw = load(data, name=where, max_bytes=limits.STORE_SETTINGS_BYTES)
    wrong_format = misread_format(raw, "store", FORMAT)
    problems = [] if wrong_format is None else [wrong_format]
    values: dict[str, Any] = {}
    for key, value in raw.items():
        if key == "store":
            continue
        if key not in KEYS:
            hint = meant(key, ("store", *KEYS))
            problems.append(Misread("key-unknown", (key,), f"there is no key {shown(key)}", hint, on_key=True))
            continue
        field, found, wrong = KEYS[key].read(key, value)
        values[field] = found
        problems += wrong
    if problems:
        raise _refusal(source, problems)
    return StoreSettings(**values)


_Read = tuple[str, Any, list[Misread]]


def _words(known: tuple[str, ...], *, empty: bool) -> Callable[[str, object], _Read]:
    """A reader of an array of words out of `known`."""

    def read(key: str, value: object) -> _Read:
        if not isinstance(value, list):
            return key, (), [Misread("wrong-type", (key,), f"{key} takes an array, not {shown(value)}", "[ … ]")]
        wrong: list[Misread] = []
        for at, word in enumerate(value):
            if not isinstance(word, str):
                wrong.append(Misread("wrong-type", (key, at), f"{key} takes texts, not {shown(word)}", "quote it"))
            elif word not in known:
                wrong.append(Misread("bad-value", (key, at), f"{key} cannot have {shown(word)}", meant(word, known)))
            elif word in value[:at]:
                wrong.append(Misread("repeated", (key, at), f"{shown(word)} is there twice", "delete one of them"))
        if not value and not empty:
            message = f"{key} is empty, so no signature could ever count"
            wrong.append(Misread("bad-value", (key,), message, "name a form, or delete the key to allow all"))
        return key, tuple(word for word in known if word in value), wrong

    return read


def _flag(key: str, value: object) -> _Read:
    if isinstance(value, bool):
        return key, value, []
    return key, False, [Misread("wrong-type", (key,), f"{key} takes true or false, not {shown(value)}", "no quotes")]


def _age(key: str, value: object) -> _Read:
    field = "max_verification_age_s"
    if not isinstance(value, str):
        message = f"{key} takes a span of time as a text, not {shown(value)}"
        return field, None, [Misread("wrong-type", (key,), message, 'like "90d"')]
    try:
        span_s = durations.seconds(value)
    except InputError as e:
        return field, None, [Misread("bad-value", (key,), f"{key}: {e.message}", e.hint)]
    if not 0 < span_s <= _MOST_AGE_S:
        return field, None, [Misread("bad-value", (key,), f"{key} cannot be {shown(value)}", _AGES)]
    return field, span_s, []


def verification_age_s(text: str) -> int:
    """How old a verification may be, in seconds. Raises InputError for a text that is no such age."""
    span_s = durations.seconds(text)
    if not 0 < span_s <= _MOST_AGE_S:
        raise InputError("cannot be the age of a verification", hint=_AGES)
    return span_s


def misread_age(text: str) -> tuple[str, str] | None:
    """What is wrong with a text as the age of a verification, and a hint; None for nothing."""
    try:
        verification_age_s(text)
    except InputError as error:
        return error.message, error.hint
    return None


def _bytes(key: str, value: object) -> _Read:
    if isinstance(value, bool) or not isinstance(value, int):
        message = f"{key} takes a whole number of bytes, not {shown(value)}"
        return key, 0, [Misread("wrong-type", (key,), message, "without quotes; 1_073_741_824 is 1 GiB")]
    if not 0 <= value <= _MOST_WHOLE_BYTES:
        return (
            key,
            0,
            [Misread("bad-value", (key,), f"{key} cannot be {shown(value)}", "0 to 68_719_476_736 (64 GiB)")],
        )
    return key, value, []


def _group(key: str, value: object) -> _Read:
    if not isinstance(value, str):
        message = f"{key} takes the name of a group as a text, not {shown(value)}"
        return key, "", [Misread("wrong-type", (key,), message, 'like "firmware"')]
    if not _GROUP.fullmatch(value):
        return key, "", [Misread("bad-value", (key,), f"{key} cannot be {shown(value)}", "the name of one group")]
    return key, value, []


_ENTRY_KEYS = tuple(field.name for field in fields(Acceptance))
_DAYS = frozenset({"on", "until"})


def _accepted(key: str, value: object) -> _Read:
    if not isinstance(value, list):
        return key, (), [Misread("wrong-type", (key,), f"{key} takes tables, not {shown(value)}", "[[accepted]]")]
    entries: list[Acceptance] = []
    wrong: list[Misread] = []
    for number, row in enumerate(value):
        path = (key, number)
        if not isinstance(row, dict):
            wrong.append(Misread("wrong-type", path, f"{key} takes tables, not {shown(row)}", "[[accepted]]"))
            continue
        wrong_here = [*_wrong_keys(path, row)]
        if not wrong_here:
            entries.append(entry := Acceptance(**row))
            wrong_here = [Misread("bad-value", path, problem, hint) for problem, hint in problems_of(entry)]
        wrong += wrong_here
    return key, tuple(entries), wrong


def _wrong_keys(path: tuple[str, int], row: Mapping[str, object]) -> Iterator[Misread]:
    for name, value in row.items():
        if name not in _ENTRY_KEYS:
            yield Misread(
                "key-unknown", (*path, name), f"there is no key {shown(name)}", meant(name, _ENTRY_KEYS), True
            )
        elif name in _DAYS and (not isinstance(value, date) or isinstance(value, datetime)):
            yield Misread("wrong-type", (*path, name), f"{name} takes a day, not {shown(value)}", "like 2026-12-31")
        elif name not in _DAYS and not isinstance(value, str):
            yield Misread("wrong-type", (*path, name), f"{name} takes a text, not {shown(value)}", "write it in quotes")
    for name in _ENTRY_KEYS:
        if name not in row:
            yield Misread("missing-key", path, f"{name} is missing", "add it; bundlekeeper accept writes all of them")


@dataclass(frozen=True, slots=True)
class StoreKey:
    """One key of store.toml: what it means, and what reads its value."""

    meaning: str
    read: Callable[[str, object], _Read]


#: Every key but the format's.
KEYS: Mapping[str, StoreKey] = {
    "signed_manifests": StoreKey("`true`: only manifests that a trusted key signed are admitted, else exit status 4; "
                                 "default: `false`", _flag),
    "signed_families": StoreKey("bundles of these families are not added without a good signature, else exit status "
                                "4; default: none", _words(FAMILIES, empty=True)),
    "forms": StoreKey("the forms that count as a signature; default: all", _words(FORMS, empty=False)),
    "max_verification_age": StoreKey("how old a verification may be before it is `stale-verification`, in `store "
                                     "list` and `verify --quick`; default: none is too old", _age),
    "max_whole_bytes": StoreKey(f"memory for forms that need the whole file (`ed25519`), in bytes; default: "
                                f"{WHOLE_BYTES:_}", _bytes),
    "group": StoreKey("members of this group of the system may share the store (`bundlekeeper help store`); default: "
                      "nobody but its owner", _group),
    "accepted": StoreKey("tables, each a finding that is accepted; `bundlekeeper accept` writes them (`bundlekeeper "
                         "help codes`)", _accepted),
}  # fmt: skip


def _refusal(source: SourceText, problems: list[Misread]) -> InputError:
    rows = placed(source, problems)
    count = f"{len(rows)} problems" if len(rows) > 1 else rows[0].message
    hint = "fix what is named; until then the store admits nothing" if len(rows) > 1 else rows[0].hint
    return InputError(f"the store's settings cannot be read: {count}", hint=hint, where=rows[0].where, problems=rows)
