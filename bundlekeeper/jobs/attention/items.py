"""Findings from everywhere as few items: each with its count, its worst, since when, and the command that shows it.

Rules: pure; findings of one subject matter and one level are one item; errors come first, then warnings, then notes;
an accepted finding is in no item, because it is counted apart; nothing is left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from typing import NamedTuple

from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import counted
from bundlekeeper.frozen import dataclass

_LEVELS = tuple(Level)


class Matter(NamedTuple):
    """What several findings are about: in words for one and for many of them, and the command that shows them.

    `{name}` in the command is the name of the worst of them. With `is_single` each finding is an item of its own, whose
    title has its subject and what is the matter: `plan holm-b-6.1: window 2 of 4 is next`.
    """

    one: str
    many: str
    command: str
    is_single: bool = False


@dataclass(frozen=True, slots=True)
class Concern:
    """One finding, what it is about, and since when it is so; `since` is None where that is not known.

    `name` is what a command calls the thing, where that is not the finding's subject.
    """

    finding: Finding
    matter: Matter
    since: date | None = None
    name: str = ""

    def judged(self, found: Finding) -> Concern:
        """The same about this finding."""
        return replace(self, finding=found)


@dataclass(frozen=True, slots=True)
class AttentionItem:
    """Concerns of one matter and level: how many, the one that is longest so, and the command."""

    level: Level
    matter: Matter
    count: int
    worst: Finding
    since: date | None
    name: str

    @property
    def title(self) -> str:
        """How many of what: `4 components staged, not activated`."""
        if self.matter.is_single:
            return f"{self.matter.one} {self.worst.subject}: {self.worst.message}"
        return counted(self.count, self.matter.one, self.matter.many)


def items(concerns: Iterable[Concern]) -> list[AttentionItem]:
    """The concerns by level and matter, the worst level first; within a level in the order of the concerns."""
    groups: dict[tuple[Level, Matter, str], list[Concern]] = {}
    for concern in concerns:
        if not concern.finding.accepted:
            own = concern.finding.subject if concern.matter.is_single else ""
            groups.setdefault((concern.finding.level, concern.matter, own), []).append(concern)
    found = [_item(level, matter, group) for (level, matter, _), group in groups.items()]
    return sorted(found, key=lambda item: _LEVELS.index(item.level))


def _item(level: Level, matter: Matter, group: list[Concern]) -> AttentionItem:
    worst = min(group, key=lambda concern: concern.since or date.max)
    return AttentionItem(level, matter, len(group), worst.finding, worst.since, worst.name)
