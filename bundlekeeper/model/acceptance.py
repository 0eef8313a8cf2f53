"""What a store accepts: STORE/acceptance.toml, which families need a signature, in which forms, how old a proof may be.

    acceptance = 1
    signed_families = ["infrastructure"]   # bundles of these need a good signature; default: none
    forms = ["sshsig", "rsa-pss-sha256"]   # forms that count as a signature; default: all
    signed_manifests = true                # only signed manifests are accepted; default: false
    max_proof_age = "90d"                  # an older proof is stale; default: none
    max_whole_bytes = 1_073_741_824        # memory for forms that need the whole file (ed25519); default: 1 GiB

Rules: the store's owner writes it, no manifest and no medium can; a file that cannot be read whole accepts nothing:
every problem is an error and is told at once, with its place. No file means the defaults. TOML 1.0.0, by tomllib.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.model import durations
from bundlekeeper.model.excerpts import excerpt
from bundlekeeper.model.findings import Finding, Level
from bundlekeeper.model.source import Source, shown
from bundlekeeper.model.toml_guard import load
from bundlekeeper.model.toml_places import Path, nearest, places
from bundlekeeper.model.trust import FORMS

NAME = "acceptance.toml"
MAX_BYTES = 64 * 1024
FORMAT = 1
WHOLE_BYTES = 1 << 30  # 1 GiB of memory at most for one whole message
_MOST_WHOLE_BYTES = 1 << 36
_MOST_AGE_S = 100 * 366 * 86400

_FAMILIES = ("infrastructure", "blade", "rack")  # model.manifest.FAMILIES, without the cost of importing it


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What one store accepts. `max_proof_age_s` is in seconds, None for no limit; `max_whole_bytes` in bytes."""

    signed_families: tuple[str, ...] = ()
    forms: tuple[str, ...] = FORMS
    signed_manifests: bool = False
    max_proof_age_s: int | None = None
    max_whole_bytes: int = WHOLE_BYTES

    def wants_signature(self, family: str) -> bool:
        """True when bundles of this family need a good signature."""
        return family in self.signed_families

    def takes_form(self, form: str) -> bool:
        """True when a signature of this form counts."""
        return form in self.forms


@dataclass(frozen=True, slots=True)
class _Problem:
    """What is wrong at `path`; `on_key` means the key and not its value."""

    code: str
    path: Path
    says: str
    hint: str
    on_key: bool = False


def read_acceptance(data: bytes | None, *, where: str = NAME) -> Acceptance:
    """Read acceptance.toml; None (no file) gives the defaults.

    Raises InputError with every problem, each a finding with its line, column and caret.
    """
    if data is None:
        return Acceptance()
    source, raw = load(data, name=where, max_bytes=MAX_BYTES)
    problems: list[_Problem] = []
    if raw.get("acceptance") != FORMAT or isinstance(raw.get("acceptance"), bool):
        problems.append(_format_problem(raw))
    values: dict[str, Any] = {}
    for key, value in raw.items():
        if key == "acceptance":
            continue
        reader = _READERS.get(key)
        if reader is None:
            problems.append(_Problem("unknown-key", (key,), f"there is no key {shown(key)}", _meant(key), on_key=True))
            continue
        field, found, wrong = reader(key, value)
        values[field] = found
        problems += wrong
    if problems:
        raise _refusal(source, problems)
    return Acceptance(**values)


_Read = tuple[str, Any, list[_Problem]]


def _words(known: tuple[str, ...], *, empty: bool) -> Callable[[str, object], _Read]:
    """A reader of an array of words out of `known`."""

    def read(key: str, value: object) -> _Read:
        if not isinstance(value, list):
            return key, (), [_Problem("wrong-type", (key,), f"{key} takes an array, not {shown(value)}", "[ … ]")]
        wrong: list[_Problem] = []
        for at, word in enumerate(value):
            if not isinstance(word, str):
                wrong.append(_Problem("wrong-type", (key, at), f"{key} takes texts, not {shown(word)}", "quote it"))
            elif word not in known:
                wrong.append(_Problem("bad-value", (key, at), f"{key} cannot hold {shown(word)}", _close(word, known)))
            elif word in value[:at]:
                wrong.append(_Problem("repeated", (key, at), f"{shown(word)} stands twice", "leave one out"))
        if not value and not empty:
            says = f"{key} is empty, so nothing could ever be accepted"
            wrong.append(_Problem("bad-value", (key,), says, "name a form, or leave the key out for all"))
        return key, tuple(word for word in known if word in value), wrong

    return read


def _flag(key: str, value: object) -> _Read:
    if isinstance(value, bool):
        return key, value, []
    return key, False, [_Problem("wrong-type", (key,), f"{key} takes true or false, not {shown(value)}", "no quotes")]


def _age(key: str, value: object) -> _Read:
    field = "max_proof_age_s"
    if not isinstance(value, str):
        says = f"{key} takes a span of time as a text, not {shown(value)}"
        return field, None, [_Problem("wrong-type", (key,), says, 'like "90d"')]
    try:
        span_s = durations.seconds(value)
    except InputError as e:
        return field, None, [_Problem("bad-value", (key,), f"{key}: {e.says}", e.hint)]
    if not 0 < span_s <= _MOST_AGE_S:
        return field, None, [_Problem("bad-value", (key,), f"{key} cannot be {shown(value)}", "1s to 100 years")]
    return field, span_s, []


def _bytes(key: str, value: object) -> _Read:
    if isinstance(value, bool) or not isinstance(value, int):
        says = f"{key} takes a whole number of bytes, not {shown(value)}"
        return key, 0, [_Problem("wrong-type", (key,), says, "without quotes; 1_073_741_824 is 1 GiB")]
    if not 0 <= value <= _MOST_WHOLE_BYTES:
        return (
            key,
            0,
            [_Problem("bad-value", (key,), f"{key} cannot be {shown(value)}", "0 to 68_719_476_736 (64 GiB)")],
        )
    return key, value, []


_READERS: Mapping[str, Callable[[str, object], _Read]] = {
    "signed_families": _words(_FAMILIES, empty=True),
    "forms": _words(FORMS, empty=False),
    "signed_manifests": _flag,
    "max_proof_age": _age,
    "max_whole_bytes": _bytes,
}


def _format_problem(raw: Mapping[str, Any]) -> _Problem:
    found = raw.get("acceptance")
    if found is None:
        return _Problem("missing-key", (), "acceptance is missing", f"add acceptance = {FORMAT} as the first line")
    says = f"this version reads format {FORMAT}, not {shown(found)}"
    newer = isinstance(found, int) and not isinstance(found, bool) and found > FORMAT
    return _Problem("newer-format" if newer else "bad-value", ("acceptance",), says, f"acceptance = {FORMAT}")


def _meant(key: str) -> str:
    return _close(key, ("acceptance", *_READERS))


def _close(word: str, known: tuple[str, ...]) -> str:
    near = get_close_matches(word, known, n=1)
    return f"did you mean {near[0]}?" if near else f"one of {', '.join(known)}"


def _refusal(source: Source, problems: list[_Problem]) -> InputError:
    found = places(source.text)
    rows: list[Finding] = []
    for problem in problems:
        place = nearest(found, problem.path)
        start = place.key_start if problem.on_key else place.start
        line, column = source.position(start)
        row = source.text.split("\n")[line - 1].removesuffix("\r")
        where = source.where(line, column)
        rows.append(
            Finding(problem.code, Level.ERROR, source.name, problem.says, problem.hint, where, excerpt(row, column))
        )
    rows.sort(key=lambda row: tuple(int(part) for part in row.where.rsplit(":", 2)[1:]))
    count = f"{len(rows)} problems" if len(rows) > 1 else rows[0].says
    hint = "until it reads well the store accepts nothing" if len(rows) > 1 else rows[0].hint
    return InputError(f"what this store accepts cannot be read: {count}", hint=hint, where=rows[0].where, problems=rows)
