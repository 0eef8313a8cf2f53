"""The rules of banks a second time: what is known of a component is what is true of every component it could be.

A component has one image that runs; DMTF DSP0267 calls it the active component image, and the one that starts at the
next activation the pending one. By common practice a two-bank component has one other bank, an activation swaps the
two; a boot-file component keeps any number of files and a pointer to one; the third kind is written in place. What was
staged and not activated stays staged when an activation fails.

The twin keeps every state that a component may be in. An event changes each of them, a reading leaves those that it
fits. While an activation was not read back, the states without it are kept beside.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import chain, combinations
from typing import NamedTuple

VERSIONS = ("5.4", "6.0", "6.1", "6.2")
NONE = ""


class Possible(NamedTuple):
    """One state that a component may be in: `rest` is what it holds besides what runs; `staged` is one of them."""

    active: str
    rest: frozenset[str]
    staged: str


class Reading(NamedTuple):
    """What was read; None was not read. Of a two-bank component's other bank as `pending` or as `spare`."""

    active: str | None = None
    pending: str | None = None
    spare: str | None = None
    staged: str | None = None
    files: frozenset[str] | None = None
    healthy: bool | None = None


def every_state(method: str) -> frozenset[Possible]:
    """What a component of which nothing is known may be like."""
    found = set()
    for active in VERSIONS:
        most = {"two-bank": 1, "boot-file": len(VERSIONS), "overwrite": 0}[method]
        others = [version for version in VERSIONS if version != active or method == "two-bank"]
        for rest in chain.from_iterable(combinations(others, number) for number in range(most + 1)):
            found |= {Possible(active, frozenset(rest), staged) for staged in (NONE, *rest)}
    return frozenset(found)


def staged(state: Possible, method: str, version: str) -> Possible:
    """After an image was brought."""
    kept = state.rest if method == "boot-file" else frozenset()
    return Possible(state.active, kept | {version}, version)


def activated(state: Possible, method: str, version: str) -> Possible:
    """After it was activated, or written in place."""
    if state.active == version:
        return state._replace(staged=NONE if state.staged == version else state.staged)
    if method == "two-bank":
        return Possible(version, frozenset({state.active}), NONE)
    if method == "overwrite":
        return Possible(version, frozenset(), NONE)
    rest = (state.rest | {state.active}) - {version}
    return Possible(version, rest, NONE if state.staged == version else state.staged)


def fits(state: Possible, method: str, reading: Reading) -> bool:
    """Whether the reading can be one of this state."""
    (other,) = state.rest or {NONE} if method != "boot-file" else {NONE}
    checks = [
        reading.active in (None, state.active),
        reading.staged in (None, state.staged),
        reading.files is None or reading.files == state.rest | {state.active},
        not reading.pending or (other == reading.pending == state.staged),
        not reading.spare or other == reading.spare,
        not (reading.pending == reading.spare == NONE) or other == NONE,
    ]
    return all(checks)


def all_same(states: Iterable[Possible], of: Callable[[Possible], object]) -> object:
    """What all states have in common, None where they differ."""
    found = {of(state) for state in states}
    return found.pop() if len(found) == 1 else None


@dataclass
class Twin:
    """What is known of one component. `without` are the states without an activation that was not read back."""

    method: str
    states: frozenset[Possible] = frozenset()
    without: frozenset[Possible] = frozenset()
    place: tuple[str | None, ...] = ()
    present: bool = True
    recorded: str = ""
    read: str = ""
    is_read_later: bool = False
    failed: bool = False
    silent: bool = False
    healthy: bool | None = None
    log: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.states = every_state(self.method)

    def _each(self, change: Callable[[Possible], Possible]) -> None:
        self.states = frozenset(map(change, self.states))
        self.without = frozenset(map(change, self.without))

    def stage(self, version: str) -> None:
        """An image was brought."""
        self._each(lambda state: staged(state, self.method, version))
        self.silent, self.present = False, True

    def activate(self, version: str) -> None:
        """It is recorded that it runs."""
        able = self.states
        if self.method == "boot-file":  # the pointer names a file that is there
            able = frozenset(s for s in able if version in s.rest | {s.active}) or frozenset(
                s._replace(rest=s.rest | {version}) for s in able
            )
        changing = frozenset(s for s in able if s.active != version) or able  # what runs already is not activated
        self.without = changing
        self.states = frozenset(activated(state, self.method, version) for state in changing)
        self.recorded, self.is_read_later = version, False
        self.failed, self.silent, self.present = False, False, True

    def fail(self, version: str) -> None:
        """An activation did not succeed; perhaps the one that is recorded as done."""
        if self.without and version and version == self.recorded and not self.is_read_later:
            self.states, self.without, self.recorded = self.without, frozenset(), ""
        self.failed, self.silent, self.present = True, False, True

    def no_answer(self) -> None:
        """Nothing was heard of it."""
        self.silent = True

    def observe(self, reading: Reading, place: tuple[str | None, ...] | None) -> None:
        """It was read, or seen at a place."""
        self.place, self.present = place or self.place, True
        if all(cell is None for cell in reading):
            return
        self.silent = False
        self.healthy = self.healthy if reading.healthy is None else reading.healthy
        fitting = frozenset(state for state in self.states if fits(state, self.method, reading))
        if not fitting:
            fitting = self._otherwise(reading)
        self.states = fitting
        if reading.active is not None:
            self.without, self.failed = frozenset(), False
            self.read, self.is_read_later = reading.active, True

    def _otherwise(self, reading: Reading) -> frozenset[Possible]:
        """The states where what was recorded as activated never ran; or where somebody changed what runs."""
        never = {state for state in self.without if fits(state, self.method, reading)}
        changed = {state for state in self._changed(reading.active or "") if fits(state, self.method, reading)}
        if all_same(self.states, lambda state: state.staged) != reading.active and never:
            return frozenset(never)
        return frozenset(s._replace(staged=NONE) if s.staged == s.active else s for s in never | changed)

    def _changed(self, version: str) -> Iterable[Possible]:
        """Somebody changed what runs and did not record it."""
        if self.method != "two-bank":
            return {activated(state, self.method, version) for state in self.states}
        was_staged = all_same(self.states, lambda state: state.staged) == version
        return {s for s in every_state("two-bank") if s.active == version and not (was_staged and s.staged)}

    def gone(self) -> None:
        """It was taken out."""
        self.present = False

    @property
    def agreement(self) -> str:
        """Whether what was recorded and what was read agree, by the words of the answers."""
        if self.failed or self.silent:
            return "activation-failed" if self.failed else "no-answer"
        if not self.recorded:
            return "only-read" if self.read else "nothing"
        if not self.read:
            return "only-recorded"
        if not self.is_read_later:
            return "not-read-back"
        return "agrees" if self.read == self.recorded else "differs"
