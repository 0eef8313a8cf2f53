"""What is at a site: domain by domain, chassis by chassis, slot by slot as text.

Rules: what is not known is `?` and counted, never left blank; what is withdrawn, what waits and what was read otherwise
than recorded are reported in words, not in colour alone; it renders what it is given and computes nothing but the
grouping.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from bundlekeeper.formats.escape import visible

WIDTH = 80
LABELS = {
    "components": "components",
    "running_not_known": "components whose version is not known",
    "staged": "components with an image that is staged and not activated",
    "read_otherwise": "components whose last reading differs from the record",
    "withdrawn": "components with an image of a withdrawn bundle",
}


@dataclass(frozen=True, slots=True)
class SiteComponent:
    """One component; every text is ready to be shown, `?` for what is not known, `-` for what there is none of."""

    domain: str
    chassis: str
    slot: str
    kind: str
    model: str
    component: str
    name: str
    active: str
    since: str
    evidence: str
    staged: str
    others: str
    differs: bool
    withdrawn: str

    @property
    def called(self) -> str:
        """Its identity, and what people call it."""
        return f"{self.component}, {self.name}" if self.name else self.component

    @property
    def marks(self) -> tuple[str, ...]:
        """What is to be reported of it, in words."""
        rows = [f"withdrawn: {self.withdrawn}"] if self.withdrawn else []
        rows += [f"staged, not activated: {self.staged}"] if self.staged else []
        rows += ["the last reading differs from the record"] if self.differs else []
        return (*rows, *(["its version is not known"] if self.active == "?" else []))


@dataclass(frozen=True, slots=True)
class SiteSlot:
    """One slot with its components."""

    name: str
    components: tuple[SiteComponent, ...]


@dataclass(frozen=True, slots=True)
class Chassis:
    """One chassis, or what is in none."""

    name: str
    slots: tuple[SiteSlot, ...]


@dataclass(frozen=True, slots=True)
class SiteDomain:
    """One domain; `running` counts its running versions by kind, for people."""

    name: str
    running: tuple[tuple[str, str], ...]
    chassis: tuple[Chassis, ...]


@dataclass(frozen=True, slots=True)
class SitePage:
    """The whole picture."""

    title: str
    as_of: str
    components: tuple[SiteComponent, ...]
    counts: Mapping[str, int]
    facts: tuple[tuple[str, str], ...]

    @property
    def totals(self) -> tuple[tuple[str, int], ...]:
        """The counts with their labels."""
        return tuple((LABELS[key], number) for key, number in self.counts.items())

    @property
    def domains(self) -> tuple[SiteDomain, ...]:
        """The components, grouped."""
        return tuple(_domain(name, rows) for name, rows in _grouped(self.components, "domain"))


def _domain(name: str, components: list[SiteComponent]) -> SiteDomain:
    chassis = tuple(
        Chassis(place, tuple(SiteSlot(slot, tuple(found)) for slot, found in _grouped(rows, "slot")))
        for place, rows in _grouped(components, "chassis")
    )
    kinds: dict[str, dict[str, int]] = {}
    for component in components:
        row = kinds.setdefault(component.kind, {})
        row[component.active] = row.get(component.active, 0) + 1
    running = ((kind, ", ".join(f"{n} at {v}" for v, n in row.items())) for kind, row in sorted(kinds.items()))
    return SiteDomain(name, tuple(running), chassis)


def _grouped(
    components: tuple[SiteComponent, ...] | list[SiteComponent], by: str
) -> list[tuple[str, list[SiteComponent]]]:
    """The components by an attribute, in natural order; a slot is that of the chassis, without the position in a
    server."""
    found: dict[str, list[SiteComponent]] = {}
    for component in components:
        name = str(getattr(component, by))
        found.setdefault(name.partition("/")[0] if by == "slot" else name, []).append(component)
    return sorted(found.items(), key=lambda row: natural(row[0]))


def natural(text: str) -> list[tuple[int, int, str]]:
    """What names are sorted by, so that slot 10 is after slot 9."""
    return [(0, int(p), "") if p[0] in "0123456789" else (1, 0, p) for p in re.findall(r"[0-9]{1,18}|[^0-9]+", text)]


def text(page: SitePage) -> str:
    """The picture as plain text of 80 columns; only a word that is longer makes a line longer."""
    return "\n".join(_lines(page)) + "\n"


def _put(words: str, indent: str = "") -> list[str]:
    more = " " * len(indent) + "  "
    shown = visible(words)
    return textwrap.wrap(
        shown, WIDTH, initial_indent=indent, subsequent_indent=more, break_long_words=False, break_on_hyphens=False
    ) or [""]


def _lines(page: SitePage) -> Iterator[str]:
    yield from _put(f"{page.title}, {page.as_of}")
    for label, number in page.totals:
        yield f"  {number} {label}"
    for domain in page.domains:
        yield ""
        yield from _put(f"domain {domain.name}")
        yield "=" * min(WIDTH, len(visible(domain.name)) + 7)
        for kind, versions in domain.running:
            yield from _put(f"{kind}: {versions}", "  ")
        for chassis in domain.chassis:
            yield ""
            yield from _put("in no chassis" if chassis.name == "-" else f"chassis {chassis.name}", "  ")
            for slot in chassis.slots:
                yield from _put("no slot" if slot.name == "-" else f"slot {slot.name}", "    ")
                for component in slot.components:
                    others = f"; {component.others}" if component.others else ""
                    marks = f"  ! {'; '.join(component.marks)}" if component.marks else ""
                    what = f"{component.kind} {component.model} {component.called}: {component.active}"
                    since = f" since {component.since} ({component.evidence})"
                    yield from _put(what + since + others + marks, "      ")
    yield ""
    for label, value in page.facts:
        yield from _put(f"{label}: {value}")
