"""The real maintenance windows of a site: agreed dates and lengths that a plan is laid into, from a file of TOML.

    windows = 1
    zone = "Europe/Lisbon"             # of times without an offset; default: the inventory's

    [[window]]
    site = "holm"
    begins = 2026-12-02T01:00:00
    minutes = 240
    note = "change 118"

Rules: minutes are time that passes, so that a window over which clocks are put forward or back is as long as it says; a
local time that never was, or was twice, is refused; windows of one site that overlap are refused; unknown keys, missing
keys and wrong values are reported all at once, each with its place.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import meant
from bundlekeeper.formats.moments import at, zone_of
from bundlekeeper.formats.problems_in_text import Misread, misread_format, placed
from bundlekeeper.formats.text_file import shown
from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.formats.toml_read import load
from bundlekeeper.frozen import dataclass

FORMAT = 1
MAX_WINDOWS = 1000
MAX_MINUTES = 10 * 24 * 60  # a window that is longer is a mistake in its dates
_MAX_TEXT = 256
_AND = " and "  # between the sites of a window that several have in common
_HEAD, _WINDOW = ("windows", "zone", "window", "note"), ("site", "begins", "minutes", "zone", "note")


@dataclass(frozen=True, slots=True)
class DatedWindow:
    """One agreed window: `begins` is ISO 8601 with its offset, `zone` that of the people at the site."""

    site: str
    begins: str
    minutes: int
    zone: str
    note: str = ""

    def time(self, minute: int = 0) -> datetime:
        """The moment of a minute of the window, in the site's zone. Raises InputError for a zone that is not known."""
        moment = datetime.fromisoformat(self.begins).astimezone(zone_of("UTC")) + timedelta(minutes=minute)
        return moment.astimezone(zone_of(self.zone))

    def clock(self, minute: int = 0) -> str:
        """The clock of the site at a minute of the window: `03:10`, with its offset where clocks change in the window.

        Raises InputError for a zone that is not known.
        """
        moment = self.time(minute)
        return f"{moment:%H:%M} {_offset(moment)}" if self._turns else f"{moment:%H:%M}"

    @property
    def _turns(self) -> bool:
        return self.time().utcoffset() != self.time(self.minutes).utcoffset()

    def moment(self, minute: int) -> str:
        """A minute of the window with its day and offset: `2026-12-02 03:10 +00:00`. Raises InputError."""
        moment = self.time(minute)
        return f"{moment:%Y-%m-%d %H:%M} {_offset(moment)}"

    def text(self) -> str:
        """From when to when, for people: `2026-12-02 01:00 to 05:00 Europe/Lisbon`. Raises InputError."""
        begins, ends = self.time(), self.time(self.minutes)
        day = "" if begins.date() == ends.date() else f"{ends:%Y-%m-%d} "
        turned = " (clocks change during it)" if self._turns else ""
        first, last = (f" {_offset(moment)}" if self._turns else "" for moment in (begins, ends))
        return f"{begins:%Y-%m-%d %H:%M}{first} to {day}{ends:%H:%M}{last} {self.zone}{turned}"


def _offset(moment: datetime) -> str:
    return moment.isoformat(timespec="minutes")[-6:]


def windows_at(windows: Iterable[DatedWindow], sites: Iterable[str]) -> tuple[DatedWindow, ...]:
    """The windows in which work at all of these sites may go on, by their beginning: of several sites the times that
    they have in common, at `called(sites)`. Raises InputError for a zone that is not known."""
    first, *others = sorted(set(sites)) or [""]
    mine = sorted((w for w in windows if w.site == first), key=lambda window: window.time())
    for place, site in enumerate(others, 2):
        name = called(sorted({first, *others})[:place])
        mine = [both for one in mine for other in windows if other.site == site for both in _shared(one, other, name)]
    return tuple(mine)


def called(sites: Iterable[str]) -> str:
    """Several sites as one name."""
    return _AND.join(sorted(set(sites)))


def spoken(name: str) -> str:
    """What `called` gave, in a sentence."""
    return f"the sites {name} together" if _AND in name else f"site {name}"


def _shared(one: DatedWindow, other: DatedWindow, name: str) -> Iterator[DatedWindow]:
    """What two windows have in common, in the zone of the first."""
    begins = max(one.time(), other.time()).astimezone(zone_of(one.zone))
    ends = min(one.time(one.minutes), other.time(other.minutes))
    minutes = (ends.astimezone(zone_of("UTC")) - begins.astimezone(zone_of("UTC"))) // timedelta(minutes=1)
    if minutes > 0:
        note = "; ".join(dict.fromkeys(text for text in (one.note, other.note) if text))
        yield DatedWindow(name, begins.isoformat(timespec="minutes"), minutes, one.zone, note)


def dated(site: str, begins: datetime, minutes: int, zone: str, note: str = "") -> DatedWindow:
    """A window from a time as it was written. Raises InputError for a zone, or a local time that never was or was
    twice."""
    moment = at(begins, zone).utc()
    return DatedWindow(site, moment.astimezone(zone_of(zone)).isoformat(timespec="minutes"), minutes, zone, note)


def read_windows(data: bytes, *, name: str, zone: str) -> tuple[DatedWindow, ...]:
    """The windows of a file, by their beginning; `zone` is of times that have none of their own.

    Raises InputError with every problem.
    """
    source, raw = load(data, name=name, max_bytes=limits.HAND_PLAN_BYTES)
    reading = _Reading(zone)
    found = reading.windows(raw)
    if reading.problems:
        problems = placed(source, reading.problems)
        message = problems[0].message if len(problems) == 1 else f"{len(problems)} problems"
        hint = problems[0].hint if len(problems) == 1 else "fix what is named; nothing was planned"
        raise InputError(
            f"the windows cannot be read: {message}", hint=hint, where=problems[0].where, problems=problems
        )
    return in_order(found, name)


def in_order(windows: Iterable[DatedWindow], name: str) -> tuple[DatedWindow, ...]:
    """The windows by their beginning. Raises InputError where two of one site overlap, or there is none."""
    rows = sorted(windows, key=lambda window: (window.time(), window.site))
    if not rows:
        raise InputError("the file has no window", where=name, hint="add a [[window]] with site, begins and minutes")
    last: dict[str, DatedWindow] = {}
    problems: list[Finding] = []
    for window in rows:
        before = last.get(window.site)
        if before is not None and before.time(before.minutes) > window.time():
            message = f"{window.text()} begins before {before.text()} ends"
            problems.append(Finding("bad-value", Level.ERROR, f"site {window.site}", message, "one window at a time"))
        last[window.site] = window
    if problems:
        raise InputError("windows of one site overlap", where=name, problems=problems)
    return tuple(rows)


class _Reading:
    def __init__(self, zone: str) -> None:
        self.zone = zone
        self.problems: list[Misread] = []

    def problem(self, code: str, path: Path, message: str, hint: str = "", *, on_key: bool = False) -> None:
        self.problems.append(Misread(code, path, message, hint, on_key))

    def windows(self, raw: Mapping[str, Any]) -> list[DatedWindow]:
        self._keys(raw, _HEAD, ())
        wrong_format = misread_format(raw, "windows", FORMAT)
        if wrong_format is not None:
            self.problems.append(wrong_format)
        zone = self._zone(raw, (), self.zone)
        rows = raw.get("window", [])
        if not isinstance(rows, list):
            self.problem("wrong-type", ("window",), f"window is {shown(rows)}, not a list", "write [[window]]")
            return []
        if len(rows) > MAX_WINDOWS:
            message = f"{len(rows)} windows; {MAX_WINDOWS} are the most that are read"
            self.problem("too-many", ("window",), message)
            return []
        return [window for number, row in enumerate(rows) for window in self._window(row, ("window", number), zone)]

    def _keys(self, table: Mapping[str, Any], known: tuple[str, ...], path: Path) -> None:
        for key in table:
            if key not in known:
                message = f"there is no key {shown(key)}"
                self.problem("key-unknown", (*path, key), message, meant(key, known), on_key=True)

    def _zone(self, table: Mapping[str, Any], path: Path, default: str) -> str:
        name = table.get("zone", default)
        try:
            zone_of(name if isinstance(name, str) else shown(name))
        except InputError as error:
            self.problem("bad-value", (*path, "zone"), error.message, error.hint)
            return "UTC"
        return str(name)

    def _text(self, table: Mapping[str, Any], key: str, path: Path, *, must: bool = False) -> str:
        value = table.get(key)
        if value is None and not must:
            return ""
        if value is None:
            self.problem("missing-key", path, f"{key} is missing", f'{key} = "…"')
        elif not isinstance(value, str) or not value.strip() or len(value) > _MAX_TEXT:
            self.problem("bad-value", (*path, key), f"{key} cannot be {shown(value)}", f'{key} = "…"')
        else:
            return value.strip()
        return ""

    def _window(self, row: object, path: Path, zone: str) -> Iterator[DatedWindow]:
        if not isinstance(row, Mapping):
            self.problem("wrong-type", path, f"a window is a table, not {shown(row)}", "write [[window]]")
            return
        before = len(self.problems)
        self._keys(row, _WINDOW, path)
        site, note = self._text(row, "site", path, must=True), self._text(row, "note", path)
        zone, minutes, begins = self._zone(row, path, zone), row.get("minutes"), row.get("begins")
        if not isinstance(minutes, int) or isinstance(minutes, bool) or not 1 <= minutes <= MAX_MINUTES:
            code = "missing-key" if minutes is None else "bad-value"
            message = "minutes is missing" if minutes is None else f"minutes cannot be {shown(minutes)}"
            self.problem(code, path if minutes is None else (*path, "minutes"), message, f"1 to {MAX_MINUTES}")
        if not isinstance(begins, datetime):
            code = "missing-key" if begins is None else "wrong-type"
            message = "begins is missing" if begins is None else f"begins takes a time, not {shown(begins)}"
            hint = "begins = 2026-12-02T01:00:00, without quotes"
            self.problem(code, path if begins is None else (*path, "begins"), message, hint)
        if len(self.problems) == before and isinstance(begins, datetime) and isinstance(minutes, int):
            try:
                yield dated(site, begins, minutes, zone, note)
            except InputError as error:
                self.problem("bad-value", (*path, "begins"), error.message, error.hint)
