"""What became of the page's components since a day: how each stood at the end of each day on which it changed.

Rules: a day counts where an entry of it counts; a reading that changed nothing is not listed; of very many days the
last ones are shown, and the page says how many are left out; void entries never count.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.formats import moments
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.release_state import RELEASE_STATES, ReleaseState
from bundlekeeper.reports.overview_page import PageChange

if TYPE_CHECKING:
    from bundlekeeper.ledger.event.events import Event

MOST_DAYS = 60
NOT_THERE = "not there"


@dataclass(frozen=True, slots=True)
class Stood:
    """How one component stood at the end of a day."""

    runs: str
    staged: str
    state: ReleaseState


StatesOn = Callable[[date | datetime | None], Mapping[str, Stood]]


@dataclass(frozen=True, slots=True)
class History:
    """The changes by component, how many days are left out, and how many components that are gone since then."""

    changes: Mapping[str, tuple[PageChange, ...]]
    left_out: int
    gone: int = 0

    @property
    def notes(self) -> tuple[str, ...]:
        """What is left out, for people."""
        notes = []
        if self.left_out:
            notes.append(
                f"the history has the last {MOST_DAYS} days with entries; {self.left_out} earlier ones are left out"
            )
        if self.gone:
            were = "that was removed since then is" if self.gone == 1 else "that were removed since then are"
            notes.append(f"{counted(self.gone, 'component')} {were} not on its past days: bundlekeeper where --on DAY")
        return tuple(notes)


def history_of(
    session: Session,
    numbers: Mapping[str, int],
    states_on: StatesOn,
    since: date | datetime,
    until: date | datetime | None,
) -> History:
    """What became of the components, by their rows' numbers, after the end of the day `since`.

    Raises InputError where that is not before `until` or now; DamagedError, LockedError, UnfinishedError.
    """
    begin = moments.moment(since, "UTC").at_us
    end = moments.moment(until, "UTC").at_us if until is not None else moments.at(session.now() + moments.AHEAD).at_us
    if begin >= end or (until is None and begin > moments.at(session.now()).at_us):
        raise InputError(f"--since {since} is not before the day of the page", hint="name an earlier day")
    entries: dict[date, dict[str, list[Event]]] = {}
    for entry in session.ledger.entries():
        event = entry.event
        if not entry.void and event.component in numbers and begin < event.at.at_us <= end:
            entries.setdefault(_day(event), {}).setdefault(event.component, []).append(event)
    days = sorted(entries)
    shown = days[-MOST_DAYS:]
    changes: dict[str, list[PageChange]] = {}
    before = states_on(since if len(shown) == len(days) else days[-MOST_DAYS - 1])
    first = before
    there = set(before)
    for day in shown:
        is_last = day == shown[-1]
        now = states_on(until if is_last else day)
        there.update(now)
        for component in numbers:
            events = entries[day].get(component, ())
            if now.get(component) != before.get(component) or any(event.what != "observed" for event in events):
                changes.setdefault(component, []).append(
                    _change(str(day), numbers[component], component, events, now.get(component))
                )
        before = now
    told = f"{since:%Y-%m-%d}"
    return History(
        {
            component: (_change(told, numbers[component], component, (), first.get(component)), *rows)
            for component, rows in changes.items()
        },
        len(days) - len(shown),
        len(there.difference(numbers)),
    )


def _day(event: Event) -> date:
    """The day of an entry, by the clock of its own zone."""
    return date.fromisoformat(event.at.text()[:10])


def _change(day: str, number: int, component: str, events: Sequence[Event], stood: Stood | None) -> PageChange:
    runs, staged = (stood.runs, stood.staged) if stood is not None else (NOT_THERE, "")
    return PageChange(
        day,
        number,
        component,
        _listed(_what(events)),
        runs,
        staged,
        RELEASE_STATES[stood.state] if stood is not None else None,
        _listed(event.reported_by for event in events),
        _listed(event.evidence.value for event in events),
    )


def _listed(words: Iterable[str]) -> str:
    return some(list(dict.fromkeys(words)), 4)


def _what(events: Sequence[Event]) -> Iterator[str]:
    for event in events:
        version = (event.seen.active or "") if event.what == "observed" else event.version
        reason = f" ({event.reason})" if event.reason else ""
        yield f"{event.what.value} {version}".strip() + reason
