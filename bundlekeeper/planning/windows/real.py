"""The steps of several domains laid into real windows, which the domains of a site share.

Rules: windows are taken in the order in which they begin, and in each the domain with the most work left comes first;
each step is in windows of its own; a domain whose work may not go on beside what is in a window, or in one of another
site at the same time, waits for the next one; nothing is laid into a window that is too short for it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import field, replace
from datetime import datetime

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.route.dated_windows import DatedWindow, spoken
from bundlekeeper.planning.windows.rounds import WindowLoad, may_share
from bundlekeeper.planning.windows.schedule import Limits, Placed, WorkPiece, pack

_Steps = Sequence[tuple[int, list[WorkPiece]]]
Laid = tuple[int, list[WorkPiece], list[Placed], DatedWindow | None]  # of a step: its pieces, those in one window


@dataclass(slots=True)
class Track:
    """One domain's work on its way into windows; `steps` are what is left of it, each a number and its pieces.

    `load` is what a window of such pieces asks of others; `windows` is what was laid.
    """

    domain: str
    site: str
    limits: Limits
    steps: list[tuple[int, list[WorkPiece]]]
    load: Callable[[Sequence[WorkPiece], Sequence[Placed]], WindowLoad]
    windows: list[Laid] = field(default_factory=list)
    ahead: list[list[Placed]] = field(default_factory=list)  # of the first step, in the next windows of the site

    @property
    def minutes(self) -> int:
        """How much work is left."""
        return sum(piece.minutes for _, pieces in self.steps for piece in pieces)

    def next(self, lengths: tuple[int, ...]) -> list[Placed]:
        """What goes into the next window of the site, of which `lengths` are those of all that are left."""
        if not self.ahead:
            self.ahead = pack(self.steps[0][1], replace(self.limits, lengths=lengths))
        return self.ahead[0]

    def wait(self) -> None:
        """The window cannot be used; what comes next is packed again, for the windows that are left."""
        self.ahead = []

    def go(self, window: DatedWindow | None) -> None:
        """The window is used, where there is something for it."""
        rows, (step, pieces) = self.ahead.pop(0), self.steps[0]
        if rows:
            self.windows.append((step, pieces, rows, window))
        if not self.ahead:
            self.steps.pop(0)

    def rest(self) -> None:
        """Take from the first step what was laid of it, so that it can be packed again."""
        step, pieces = self.steps[0]
        done = {i for number, mine, rows, _ in self.windows if number == step and mine is pieces for i, _ in rows}
        if done:
            self.steps[0] = (step, pieces_left(pieces, done))


def pieces_left(pieces: Sequence[WorkPiece], done: Collection[int]) -> list[WorkPiece]:
    """The pieces that are left, each after those of them that it waits for."""
    places = {i: place for place, i in enumerate(i for i in range(len(pieces)) if i not in done)}
    return [replace(pieces[i], after=tuple(places[n] for n in pieces[i].after if n in places)) for i in places]


def lengths_of(windows: Iterable[DatedWindow]) -> dict[str, tuple[int, ...]]:
    """The minutes of the windows of each site, by their beginning."""
    found: dict[str, tuple[int, ...]] = {}
    for window in sorted(windows, key=lambda window: window.time()):
        found[window.site] = (*found.get(window.site, ()), window.minutes)
    return found


def lay(tracks: Sequence[Track], windows: Sequence[DatedWindow]) -> list[list[int]]:
    """Lay each track into the windows of its site; returns which tracks are in those that begin together, in order.

    Each site has a window. Raises InputError where they are too few.
    """
    rows = sorted(windows, key=lambda window: (window.time(), window.site))
    lengths = lengths_of(rows)
    left, used = dict(lengths), dict[datetime, list[int]]()
    whole = [list(track.steps) for track in tracks]
    placed: list[tuple[DatedWindow, list[WindowLoad]]] = []
    for window in rows:
        placed = [(other, loads) for other, loads in placed if other.time(other.minutes) > window.time()]
        beside = [load for _, loads in placed for load in loads]
        mine: list[WindowLoad] = []
        inside: list[int] = []
        waiting = [i for i, track in enumerate(tracks) if track.site == window.site and track.steps]
        for i in sorted(waiting, key=lambda i: (-tracks[i].minutes, i)):
            track = tracks[i]
            found = track.next(left[window.site])
            load = track.load(track.steps[0][1], found)
            together = all(may_share((load, other)) for other in beside) and _in_hand((*beside, *mine, load))
            if found and not (together and may_share((*mine, load))):
                track.rest()
                track.wait()
                continue
            track.go(window)
            if found:
                mine.append(load)
                inside.append(i)
        left[window.site] = left[window.site][1:]
        if inside:
            placed.append((window, mine))
            used.setdefault(window.time(), []).extend(inside)
    _insist_on_end(tracks, lengths, whole)
    return list(used.values())


def _in_hand(loads: Sequence[WindowLoad]) -> bool:
    """Whether the last has hands left at each of its sites, which windows of other sites may take, too."""
    *others, last = [{site: mine for site, mine, _ in load.hands} for load in loads]
    most = {site: number for site, _, number in loads[-1].hands}
    used = {site: sum(hands.get(site, 0) for hands in others) for site in most}
    return all(not used[site] or used[site] + last[site] <= most[site] for site in most)


def _insist_on_end(
    tracks: Sequence[Track], lengths: Mapping[str, tuple[int, ...]], whole: Sequence[_Steps]
) -> None:  # fmt: skip
    """Refuse windows that are too few, with how many more each domain needs, as if it were alone in them, and, of one
    domain, how long windows would do; `whole` are all steps of each."""
    lacking = {track.domain: (track.site, _more(track, max(lengths[track.site]))) for track in tracks if track.steps}
    if not lacking:
        return
    sites = [site for site, _ in lacking.values()]
    few = [f"{counted(len(lengths[site]), 'window')} at {spoken(site)}" for site in lengths if site in sites]
    are = "is" if len(few) == 1 and len(lengths[sites[0]]) == 1 else "are"
    needs = [
        f"{domain if len(tracks) > 1 else 'the plan'} needs {number} more" for domain, (_, number) in lacking.items()
    ]
    least = _least(tracks[0], whole[0], lengths[tracks[0].site]) if len(tracks) == 1 else 0
    hint = f"add windows to the file{f', or make each of them {least} minutes or longer' if least else ''}"
    problems = [
        Finding("bad-value", Level.ERROR, domain, f"needs {counted(number, 'more window', 'more windows')} at {site}")
        for domain, (site, number) in lacking.items()
    ]
    raise InputError(
        f"{some(few)} {are} not enough: {some(needs, 3)}", hint=hint, problems=problems if len(tracks) > 1 else ()
    )


def _least(track: Track, steps: _Steps, lengths: tuple[int, ...]) -> int:
    """The minutes with which the windows are enough where none is shorter; 0 where none of that number are."""

    def fits(minutes: int) -> bool:
        left = tuple(max(length, minutes) for length in lengths)
        for _, pieces in steps:
            number = len(pack(pieces, replace(track.limits, lengths=left))) if left else 1
            if number > len(left):
                return False
            left = left[number:]
        return True

    low, high = 0, max(sum(piece.minutes for piece in pieces) for _, pieces in steps)
    if not fits(high):
        return 0
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if fits(middle) else (middle, high)
    return high


def _more(track: Track, longest: int) -> int:
    """How many windows of that length the rest of a track needs, when it is alone in them."""
    if track.ahead:
        track.rest()
    number = 0
    for _, pieces in track.steps:
        limits = replace(track.limits, lengths=(longest,) * max(1, len(pieces)))
        number += sum(bool(rows) for rows in pack(pieces, limits))
    return number
