"""Our JSON documents: each field of a frozen dataclass states once what it may be, for writing and reading.

    @dataclass(frozen=True, slots=True)
    class Ticket:
        number: int = field(metadata=whole(1))
        about: str = field(metadata=named("file/sha256", hexadecimal(64)))  # {"number": 1, "file": {"sha256": "…"}}

    TICKETS = JsonDocument(Ticket, "bundlekeeper.ticket/1", what="the ticket", kind="ticket", limit=4096)

Rules: an object has exactly the keys of its fields; nothing is repaired or guessed; text is bounded; a boolean is no
number; the place of what is wrong is reported as a JSON pointer (RFC 6901); only InputError comes out of reading. A
rule over several fields is a function of the document, `check`, which raises Misfit with the place. Form: sorted keys,
ASCII, one LF at the end; no blanks, because the bytes may be signed, or indented for people.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any, Generic, NotRequired, TypedDict, TypeVar

from bundlekeeper.errors import InputError
from bundlekeeper.formats import json_read, limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.safe_names import problems_of_name

_T = TypeVar("_T")
_Sized = TypeVar("_Sized", list[object], dict[str, object])
_NUMBER = re.compile(r"0|[1-9][0-9]{0,17}")  # one way to write each, so that no two keys are one


class Misfit(Exception):  # noqa: N818 - it never leaves a reading
    """A value that cannot be: what is wrong, and its path in what is read."""

    def __init__(self, message: str, *path: str | int) -> None:
        super().__init__(message)
        self.message, self.path = message, path

    def under(self, *path: str | int) -> Misfit:
        """The same, seen from further out."""
        self.path = (*path, *self.path)
        return self


class Form(TypedDict):
    """What a value may be in JSON: `read` gives the value or raises Misfit, `write` what json.dumps takes.

    It is the metadata of the field. `name` is the key where it is not the field's own, after the group object that it
    is in and a slash; where `left_out`, the key is not there when the value is empty, which is its default.
    """

    read: Callable[[object], Any]
    write: Callable[[Any], object]
    name: NotRequired[str]
    left_out: NotRequired[bool]


def named(name: str, form: Form) -> Form:
    """The form under another key: "key" or "group/key"."""
    return {**form, "name": name}


def left_out(form: Form) -> Form:
    """The form of a field whose key is not there when it is empty."""
    return {**form, "left_out": True}


def _plain(read: Callable[[object], Any]) -> Form:
    return {"read": read, "write": lambda value: value}


def text(
    *, empty: bool = False, most: int = limits.TEXT_CHARACTERS, wrong: Callable[[str], str] = lambda _: ""
) -> Form:
    """A text of at most `most` characters for which `wrong` gives no message; empty only with `empty`."""

    def read(found: object) -> str:
        if not isinstance(found, str):
            raise Misfit("is no text")
        message = ("" if empty else "is empty or too long") if not found else wrong(found)
        if message or len(found) > most:
            raise Misfit(message or "is empty or too long")
        return found

    return _plain(read)


def matching(pattern: re.Pattern[str], most: int) -> Form:
    """A text that matches the whole pattern, of at most `most` characters."""
    return text(most=most, wrong=lambda it: "" if pattern.fullmatch(it) else f"cannot be {visible(it)[:80]}")


def hexadecimal(digits: int | None = None, *, empty: bool = False) -> Form:
    """Lower-case hexadecimal digits: `digits` of them, or up to 128 for None."""
    message = f"is not {digits or 'some'} hexadecimal digits in lower case"
    pattern = re.compile(f"[0-9a-f]{{{digits or '1,128'}}}")
    return text(empty=empty, wrong=lambda it: "" if pattern.fullmatch(it) else message)


def one_of(words: Iterable[str]) -> Form:
    """One of these words."""
    known = tuple(words)
    return text(wrong=lambda it: "" if it in known else f"is {visible(it)[:40]}, not one of {', '.join(known)}")


def safe_path() -> Form:
    """A POSIX path whose every name is safe on every file system (formats.safe_names)."""

    def wrong(it: str) -> str:
        problems = next(filter(None, map(problems_of_name, it.split("/"))), None)
        return f"{visible(it)[:120]}: {problems[0].message}" if problems else ""

    return text(wrong=wrong)


def whole(least: int = 0, most: int = 2**63 - 1) -> Form:
    """A whole number, no boolean."""

    def read(found: object) -> int:
        if not isinstance(found, int) or isinstance(found, bool) or not least <= found <= most:
            raise Misfit(f"is no whole number from {least} to {most}")
        return found

    return _plain(read)


def flag() -> Form:
    """True or false."""

    def read(found: object) -> bool:
        if not isinstance(found, bool):
            raise Misfit("is neither true nor false")
        return found

    return _plain(read)


def moment() -> Form:
    """A date and time with its zone (RFC 3339), as an aware datetime."""

    def into(found: str) -> datetime:
        try:
            value = datetime.fromisoformat(found)
        except ValueError as error:
            raise Misfit("is no date and time (RFC 3339)") from error
        if value.tzinfo is None:
            raise Misfit("has no zone")
        return value

    return converted(text(), into, datetime.isoformat)


def optional(form: Form) -> Form:
    """The form, or null, which is None."""
    read, write = form["read"], form["write"]
    return {
        "read": lambda found: None if found is None else read(found),
        "write": lambda value: None if value is None else write(value),
    }


def converted(form: Form, into: Callable[[Any], Any], out_of: Callable[[Any], Any]) -> Form:
    """The form, with its value converted by `into` on reading and by `out_of` on writing."""
    read, write = form["read"], form["write"]
    return {"read": lambda found: into(read(found)), "write": lambda value: write(out_of(value))}


def _sized(found: object, kind: type[_Sized], most: int) -> _Sized:
    name, entries = ("array", "entries") if kind is list else ("object", "keys")
    if not isinstance(found, kind):
        raise Misfit(f"is no {name}")
    if len(found) > most:
        raise Misfit(f"has {len(found)} {entries}, {most} are allowed")
    return found


def _each(values: Iterable[tuple[str | int, Callable[[object], Any], object]]) -> Iterator[Any]:
    """The values that are read, each given with its key or number and its reader."""
    for place, read, value in values:
        try:
            yield read(value)
        except Misfit as misfit:
            misfit.under(place)
            raise


def array(form: Form, most: int) -> Form:
    """An array of at most `most` values of a form, as a tuple."""
    read, write = form["read"], form["write"]
    return {
        "read": lambda found: tuple(_each((i, read, value) for i, value in enumerate(_sized(found, list, most)))),
        "write": lambda values: [write(value) for value in values],
    }


def row(*forms: Form, make: Callable[..., Any] = lambda *values: values) -> Form:
    """An array with a value of each of these forms, as `make` gives it: a tuple, or an object of that order."""

    def read(found: object) -> Any:  # noqa: ANN401 - whatever is made
        values = _sized(found, list, len(forms))
        if len(values) < len(forms):
            raise Misfit(f"has {len(values)} entries, {len(forms)} are needed")
        return make(*_each((i, forms[i]["read"], value) for i, value in enumerate(values)))

    return {"read": read, "write": lambda made: [f["write"](value) for f, value in zip(forms, made, strict=True)]}


def mapping(form: Form, most: int, *, numbered: bool = False) -> Form:
    """An object with any keys, at most `most`, and values of a form, as a dict; `numbered`: by whole numbers."""
    read_value, write = form["read"], form["write"]

    def read(found: object) -> dict[Any, Any]:
        rows = _sized(found, dict, most)
        for key in rows if numbered else ():
            if not _NUMBER.fullmatch(key):
                raise Misfit(f"has the key {visible(key)[:40]}, which is no whole number")
        keys = map(int, rows) if numbered else rows
        return dict(zip(keys, _each((key, read_value, value) for key, value in rows.items()), strict=True))

    return {"read": read, "write": lambda made: {str(key): write(value) for key, value in made.items()}}


def table(make: Callable[..., Any], forms: Mapping[str, Form], get: Callable[[Any, str], Any] = getattr) -> Form:
    """An object with exactly the keys of these forms: the arguments of `make`, which `get` reads from an object."""
    rows: dict[str, tuple[str, Form]] = {}
    groups: dict[str, dict[str, Form]] = {}
    for attribute, form in forms.items():
        group, _, key = form.get("name", attribute).rpartition("/")
        if group:
            groups.setdefault(group, {})[attribute] = {**form, "name": key}
        else:
            rows[key] = attribute, form
    beneath = {key: table(dict, of_group, get) for key, of_group in groups.items()}
    readers = {key: form["read"] for key, form in [*((key, form) for key, (_, form) in rows.items()), *beneath.items()]}
    must = readers.keys() - {key for key, (_, form) in rows.items() if form.get("left_out")}

    def read(found: object) -> Any:  # noqa: ANN401 - whatever is made
        if not isinstance(found, dict):
            raise Misfit("is no object")
        if not must <= found.keys() <= readers.keys():
            lacking, unknown = sorted(must - found.keys()), sorted(found.keys() - readers.keys())
            message = [f"lacks {', '.join(lacking)}"] * bool(lacking)
            raise Misfit(" and ".join([*message, *(f"has the unknown key {visible(key)[:40]}" for key in unknown[:1])]))
        values: dict[str, Any] = {}
        for key, value in zip(found, _each((key, readers[key], value) for key, value in found.items()), strict=True):
            values |= value if key in beneath else {rows[key][0]: value}
        return make(**values)

    def write(made: Any) -> dict[str, object]:  # noqa: ANN401 - what was made
        written = {
            key: form["write"](value)
            for key, (attribute, form) in rows.items()
            if (value := get(made, attribute)) or not form.get("left_out")
        }
        return written | {key: form["write"](made) for key, form in beneath.items()}

    return {"read": read, "write": write}


def forms_of(cls: type) -> dict[str, Form]:
    """The forms of a dataclass of ours: the metadata of its fields, by their names."""
    return {field.name: Form(**field.metadata) for field in fields(cls)}  # type: ignore[typeddict-item]  # metadata


def nested(cls: type) -> Form:
    """An object as a dataclass of ours."""
    return table(cls, forms_of(cls))


class JsonDocument(Generic[_T]):
    """A document with the fields of the dataclass `cls` and its `schema`, a name and a number: "bundlekeeper.ticket/1".

    `what` names it in messages ("the ticket"), `kind` is the word for it ("this is no ticket"), `hint` is for a file of
    another kind; `limit` is the most bytes that are read; `check` raises Misfit where fields contradict each other.
    """

    def __init__(
        self,
        cls: type[_T],
        schema: str,
        *,
        what: str,
        kind: str,
        limit: int,
        hint: str = "",
        indented: bool = False,
        check: Callable[[_T], object] = lambda _: None,
    ) -> None:
        self._form, self._schema = nested(cls), schema
        self._what, self._kind, self._hint = what, kind, hint
        self._limit, self._check = limit, check
        self._layout: dict[str, Any] = {"indent": 1} if indented else {"separators": (",", ":")}

    def write(self, value: _T) -> bytes:
        """The document's bytes; what is read from them is equal to `value`."""
        document = {"schema": self._schema, **self._form["write"](value)}  # type: ignore[dict-item]  # an object
        return json.dumps(document, sort_keys=True, ensure_ascii=True, **self._layout).encode() + b"\n"

    def read(self, data: bytes, where: str = "") -> _T:
        """Read a document strictly; `where` is its file.

        Raises InputError: too large, no JSON, another kind of document or another version of this one (both named), a
        missing or unknown key, a value that cannot be.
        """
        if len(data) > self._limit:
            raise InputError(f"{self._what} is larger than {self._limit} bytes", where=where)
        found = json_read.loads(data, where)
        schema = found.get("schema") if isinstance(found, dict) else None
        if not isinstance(found, dict) or schema != self._schema:
            raise self._other(schema, where)
        try:
            value: _T = self._form["read"]({key: row for key, row in found.items() if key != "schema"})
            self._check(value)
        except Misfit as misfit:
            place = json_read.pointer(misfit.path) or "/"
            raise InputError(f"{self._what}: {visible(place)} {misfit.message}", where=where) from misfit
        return value

    def _other(self, schema: object, where: str) -> InputError:
        if not isinstance(schema, str):
            return InputError(f"this is no {self._kind}", where=where, hint=self._hint)
        shown = visible(schema)[:80]
        if schema.rpartition("/")[0] != self._schema.rpartition("/")[0]:
            message = f"this is no {self._kind}: its schema is {shown}, not {self._schema}"
            return InputError(message, where=where, hint=self._hint)
        message = f"{self._what} is of format {shown}, this version reads {self._schema}"
        return InputError(message, where=where, hint="another version of bundlekeeper made it: bring that version here")
