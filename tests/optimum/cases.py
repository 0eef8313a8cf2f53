"""Seeded pieces of work of the shape that steps have: some after others, locks, clusters, and some alone."""

from __future__ import annotations

import random
from dataclasses import dataclass

from bundlekeeper.planning.windows.schedule import WorkPiece
from bundlekeeper.planning.windows.types import Action

FEWEST, MOST = 6, 30  # pieces


@dataclass(frozen=True, slots=True)
class ScheduleCase:
    """What `pack` is asked: pieces, the longest window in minutes, servers of a cluster at a time."""

    pieces: tuple[WorkPiece, ...]
    length: int | None
    per_cluster: int


def case(seed: int, most: int = MOST) -> ScheduleCase:
    """One case; the same for each seed everywhere."""
    rnd = random.Random(seed)
    per_cluster = rnd.randint(1, 3)
    number = rnd.randint(FEWEST, most)
    density = rnd.choice([0.02, 0.05, 0.1])  # of what waits for what
    pieces = []
    for place in range(number):
        minutes = rnd.choice([rnd.randint(2, 15), rnd.randint(20, 60)])
        after = tuple(earlier for earlier in range(place) if rnd.random() < density)
        locks = tuple(name for name in ("manager", "paths") if rnd.random() < 0.12)
        alone = rnd.random() < 0.06
        cluster = "" if alone else rnd.choice(["", "office", "office", "ticketing"])
        servers = min(per_cluster, rnd.choice([1, 1, 1, 2]))
        action = Action("write", "component", "bios", "1", minutes, assumed=False)
        pieces.append(
            WorkPiece(f"piece {place}", (action,), after, locks, ((cluster, servers),) if cluster else (), alone)
        )
    longest = max(piece.minutes for piece in pieces)
    length = rnd.choice([None, longest, longest + 10, 120, 240])
    return ScheduleCase(tuple(pieces), length if length is None else max(length, longest), per_cluster)
