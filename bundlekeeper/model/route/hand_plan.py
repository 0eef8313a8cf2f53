"""A plan that a person wrote, to be checked by the rules: TOML, or JSON with the same keys.

    plan = 1
    domain = "holm-a"
    release = "6.1"

    [[step]]
    what = "infrastructure"
    version = "6.0.1"
    only = ["model-list"]          # just these kinds; default: all that the bundle brings

    [[step]]
    what = "servers"                # or "blade", "rack"
    release = "6.0"                 # or, for one family, version = "6.0.1"
    servers = ["1/1", "SRV-17"]     # by place or serial; default: all
    components = ["2", "SRV-17-B"]  # only these, by serial, place or chassis; default: all of them

    [[without]]                     # a server that the release is not reached for
    server = "1/4"
    reason = "powered off until March"

Rules: unknown keys, missing keys and values that a key cannot have are reported all at once, each with its place;
nothing half-read comes out; the names are looked up in manifest and inventory elsewhere. TOML 1.0.0 by tomllib, RFC
8259.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats import json_read, limits
from bundlekeeper.formats.escape import meant
from bundlekeeper.formats.problems_in_text import Misread, misread_format, placed
from bundlekeeper.formats.text_file import SourceText, shown
from bundlekeeper.formats.toml_positions import Path, nearest, places
from bundlekeeper.formats.toml_read import load
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import INFRASTRUCTURE, SERVER_FAMILIES, SERVERS

FORMAT = 1
MAX_STEPS = 200
_MAX_TEXT = 256
_WHAT = (INFRASTRUCTURE, SERVERS, *SERVER_FAMILIES)
_HEAD = ("plan", "domain", "release", "step", "without", "note")
_STEP = ("what", "version", "release", "only", "servers", "components", "note")
_WITHOUT = ("server", "reason", "note")


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One step as it was written. `only`, `servers` and `components` are empty for all; one of `version` and `release`
    is empty.

    `digests` are those of the bundles, by family, where a route document names the exact files.
    """

    what: str
    version: str = ""
    release: str = ""
    only: tuple[str, ...] = ()
    servers: tuple[str, ...] = ()
    digests: tuple[tuple[str, str], ...] = ()
    components: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan, and the file that it is from. `where` gives the place of a path in it, and the line with a caret.

    `without` are the servers that it leaves out, each with the reason.
    """

    name: str
    domain: str
    release: str
    steps: tuple[PlanStep, ...]
    where: Callable[[Path], tuple[str, str]]
    without: tuple[tuple[str, str], ...] = ()


class _Reading:
    def __init__(self) -> None:
        self.problems: list[Misread] = []

    def problem(self, code: str, path: Path, message: str, hint: str = "", *, on_key: bool = False) -> None:
        self.problems.append(Misread(code, path, message, hint, on_key))

    def without(self, raw: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
        rows = raw.get("without", [])
        if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
            self.problem("wrong-type", ("without",), f"without is {shown(rows)}", "write [[without]]")
            return ()
        for at, row in enumerate(rows):
            self._keys(row, _WITHOUT, ("without", at))
        return tuple(
            (
                self._text(row, "server", ("without", at), must=True),
                self._text(row, "reason", ("without", at), must=True),
            )
            for at, row in enumerate(rows)
        )

    def plan(self, raw: Mapping[str, Any]) -> tuple[str, str, tuple[PlanStep, ...]]:
        self._keys(raw, _HEAD, ())
        wrong_format = misread_format(raw, "plan", FORMAT)
        if wrong_format is not None:
            self.problems.append(wrong_format)
        domain, release = self._text(raw, "domain", (), must=True), self._text(raw, "release", (), must=True)
        rows = raw.get("step", [])
        if not isinstance(rows, list):
            self.problem("wrong-type", ("step",), f"step is {shown(rows)}, not a list of tables", "write [[step]]")
            rows = []
        elif not rows:
            self.problem("missing-key", (), "the plan has no step", "add a [[step]]")
        elif len(rows) > MAX_STEPS:
            self.problem("too-many", ("step",), f"{len(rows)} steps; {MAX_STEPS} are the most that are read")
            rows = []
        return domain, release, tuple(self._step(row, ("step", at)) for at, row in enumerate(rows))

    def _keys(self, table: Mapping[str, Any], known: Sequence[str], path: Path) -> None:
        for key in table:
            if key not in known:
                self.problem(
                    "key-unknown", (*path, key), f"there is no key {shown(key)}", meant(key, known), on_key=True
                )
        note = table.get("note")
        if note is not None and not isinstance(note, str):
            self.problem("wrong-type", (*path, "note"), f"note takes a text, not {shown(note)}", "quote it")

    def _text(self, table: Mapping[str, Any], key: str, path: Path, *, must: bool = False) -> str:
        value = table.get(key)
        if value is None:
            if must:
                self.problem("missing-key", path, f"{key} is missing", f'{key} = "…"')
            return ""
        if not isinstance(value, str):
            self.problem("wrong-type", (*path, key), f"{key} takes a text, not {shown(value)}", "put quotes around it")
            return ""
        if not value.strip() or len(value) > _MAX_TEXT:
            message = (
                f"{key} is empty" if not value.strip() else f"{key} has {len(value)} characters; {_MAX_TEXT} at most"
            )
            self.problem("bad-value", (*path, key), message)
        return value.strip()

    def _texts(self, table: Mapping[str, Any], key: str, path: Path) -> tuple[str, ...]:
        value = table.get(key)
        if value is None:
            return ()
        rows = [value] if isinstance(value, str) else value
        if not isinstance(rows, list):
            self.problem("wrong-type", (*path, key), f"{key} takes an array of texts, not {shown(value)}", "[ … ]")
            return ()
        if not rows:
            self.problem("bad-value", (*path, key), f"{key} is empty", "delete the key to mean all")
        found: list[str] = []
        for at, row in enumerate(rows):
            place = (*path, key) if isinstance(value, str) else (*path, key, at)
            if not isinstance(row, str) or not row.strip() or len(row) > _MAX_TEXT:
                self.problem("wrong-type", place, f"{key} takes texts, not {shown(row)}", "quote it")
            elif row.strip() in found:
                self.problem("repeated", place, f"{shown(row)} is there twice", "delete one of them")
            else:
                found.append(row.strip())
        return tuple(found)

    def _step(self, row: object, path: Path) -> PlanStep:
        if not isinstance(row, Mapping):
            self.problem("wrong-type", path, f"a step is a table, not {shown(row)}", "write [[step]]")
            return PlanStep("")
        self._keys(row, _STEP, path)
        what = self._text(row, "what", path, must=True)
        if what and what not in _WHAT:
            self.problem("bad-value", (*path, "what"), f"what cannot be {shown(what)}", meant(what, _WHAT))
        version, release = self._text(row, "version", path), self._text(row, "release", path)
        only, servers = self._texts(row, "only", path), self._texts(row, "servers", path)
        if what == INFRASTRUCTURE:
            if release:
                message = "the infrastructure goes to a version, not to a release"
                self.problem("bad-value", (*path, "release"), message, 'version = "…"', on_key=True)
            if servers:
                message = "the infrastructure has no servers"
                self.problem("bad-value", (*path, "servers"), message, 'what = "servers"', on_key=True)
        elif what == SERVERS and version:
            message = "servers of several families go to a release; a version is one family's"
            self.problem("bad-value", (*path, "version"), message, 'what = "blade" or "rack", or release', on_key=True)
        elif version and release:
            message = "it names a version and a release; one is enough"
            self.problem("bad-value", (*path, "version"), message, "delete one of them", on_key=True)
        if not version and not release and "version" not in row and "release" not in row:
            key = "release" if what == SERVERS else "version"
            self.problem("missing-key", path, f"{key} is missing", f'{key} = "…"')
        return PlanStep(what, version, release, only, servers, (), self._texts(row, "components", path))


def read_plan(data: bytes, *, name: str, form: str) -> Plan:
    """Read a plan; `form` is "toml" or "json".

    Raises InputError with every problem, each a finding with its place (line, column and caret; in JSON a pointer).
    """
    reading = _Reading()
    if form == "json":
        raw, where = _json(data, name), _pointing(name)
        (domain, release, steps), without = reading.plan(raw), reading.without(raw)
        problems = [
            Finding(misread.code, Level.ERROR, name, misread.message, misread.hint, where(misread.path)[0])
            for misread in reading.problems
        ]
    else:
        source, raw = load(data, name=name, max_bytes=limits.HAND_PLAN_BYTES)
        (domain, release, steps), without = reading.plan(raw), reading.without(raw)
        where = _finder(source)
        problems = placed(source, reading.problems)
    if problems:
        message = problems[0].message if len(problems) == 1 else f"{len(problems)} problems"
        hint = problems[0].hint if len(problems) == 1 else "fix what is named; nothing was checked"
        raise InputError(f"the plan cannot be read: {message}", hint=hint, where=problems[0].where, problems=problems)
    return Plan(name, domain, release, steps, where, without)


def _json(data: bytes, name: str) -> Mapping[str, Any]:
    if len(data) > limits.HAND_PLAN_BYTES:
        raise InputError(
            f"the plan is larger than {limits.HAND_PLAN_BYTES} bytes", where=name, hint="is this the right file?"
        )
    raw = json_read.loads(data, name)
    if not isinstance(raw, Mapping):
        raise InputError("the plan is not a JSON object", where=name, hint='{"plan": 1, "domain": …}')
    return raw


def _pointing(name: str) -> Callable[[Path], tuple[str, str]]:
    def where(path: Path) -> tuple[str, str]:
        return f"{name}#{json_read.pointer(path)}", ""

    return where


def _finder(source: SourceText) -> Callable[[Path], tuple[str, str]]:
    def where(path: Path) -> tuple[str, str]:
        place = nearest(places(source.text), path)
        line, column = source.position(place.start)
        return source.where(line, column), source.excerpt(column, place.start)

    return where
