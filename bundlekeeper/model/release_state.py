"""How a component stands against a release, in words, letters and order of gravity, each declared once.

Rules: what is not known is a state of its own, never a good one; "at the release" is only what was read; the letters
are unlike each other in grey and on paper, and mean the same in every picture and table.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class ReleaseState(StrEnum):
    """The states, the gravest first."""

    FAILED = "failed"
    WITHDRAWN = "withdrawn"
    UNKNOWN = "unknown"
    BEHIND = "behind"
    AHEAD = "ahead"
    UNREAD = "unread"
    STAGED = "staged"
    OUTSIDE = "outside"
    AT = "at"


@dataclass(frozen=True, slots=True)
class StateFacts:
    """The letter of a state, its short name in tables, and what it means."""

    state: ReleaseState
    letter: str
    name: str
    meaning: str


_FACTS = (
    StateFacts(ReleaseState.FAILED, "F", "failed", "an activation failed, it is silent, or another version was read"),
    StateFacts(ReleaseState.WITHDRAWN, "W", "withdrawn", "it runs a version of a withdrawn bundle"),
    StateFacts(ReleaseState.UNKNOWN, "?", "not known", "its version, or what it should run, is not known"),
    StateFacts(ReleaseState.BEHIND, "B", "behind", "it runs an older version than the release has for it"),
    StateFacts(ReleaseState.AHEAD, "N", "newer", "it runs a newer version than the release has for it"),
    StateFacts(ReleaseState.UNREAD, "R", "not read back", "recorded at the release, and nobody has read that since"),
    StateFacts(ReleaseState.STAGED, "S", "staged", "the release's version is on it and not activated"),
    StateFacts(ReleaseState.OUTSIDE, "O", "outside", "the release has no version for it"),
    StateFacts(ReleaseState.AT, "A", "at release", "it runs the release's version, and that was read"),
)  # fmt: skip
RELEASE_STATES: dict[ReleaseState, StateFacts] = {facts.state: facts for facts in _FACTS}
_GRAVITY = {state: place for place, state in enumerate(ReleaseState)}


def gravest(states: Iterable[ReleaseState]) -> ReleaseState:
    """The gravest of the states; not known where there is none."""
    return min(states, key=_GRAVITY.__getitem__, default=ReleaseState.UNKNOWN)
