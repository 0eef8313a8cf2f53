"""Pages of sites made from values: an ordinary one, and one with the same text in every field."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bundlekeeper.model.release_state import ReleaseState
from bundlekeeper.reports.overview_page import (
    OverviewPage,
    PageBundle,
    PageChange,
    PageComponent,
    PageDomain,
    PageGap,
    PageMatter,
    PagePlan,
    PageWindow,
)
from bundlekeeper.reports.pictures.cells import DrawnComponent
from bundlekeeper.reports.pictures.gantt import GanttBar, Span
from bundlekeeper.reports.pictures.halves import DrawnPair, halves
from bundlekeeper.reports.pictures.panel import DrawnServer, panel
from bundlekeeper.reports.pictures.space import SpaceBar
from bundlekeeper.reports.pictures.timeline import timeline
from bundlekeeper.reports.site_page import SiteComponent

HOSTILE = "</script><img src=x onerror=\"document.title='ran'\">'\"\u202e\n" + "y" * 200


def page(text: str = "", servers: int = 8, domains: int = 2, kinds: Sequence[str] = ("bios", "disk")) -> OverviewPage:
    """Two domains of a chassis each, a component in each state; with `text` in place of every name and word; `kinds`
    are those of each server's components."""
    size = 4 + len(kinds) * servers
    return OverviewPage(
        title=text or "Overview",
        as_of=text or "as of now",
        release=text or "6.1",
        notes=(text or "a note",),
        matters=(PageMatter("error", *[text or word for word in ("1 bundle", "blade", "2026-11-01", "verify")]),),
        domains=tuple(
            _domain(number, text, servers, 1 + (number - 1) * size, kinds) for number in range(1, domains + 1)
        ),
        facts=((text or "made", text or "today"),),
        bundles=(PageBundle(*[text or word for word in ("blade", "6.1.0", "b.bin", "verified", "2026-11-01", "1")]),),
        since=text or "2026-11-01",
    )


def _domain(number: int, text: str, servers: int, first: int, kinds: Sequence[str]) -> PageDomain:
    states = list(ReleaseState)
    rows: list[PageComponent] = []

    def row(kind: str, called: str, chassis: str, slot: str) -> DrawnComponent:
        place = first + len(rows)
        state = states[place % len(states)]
        words = (f"domain-{number}", chassis, slot, kind, "Tern-2", f"S{place}", called, "6.0.1", "2026-11-20", "note")
        said: list[Any] = [*(text or word for word in words), text, text, False, text]
        shown = SiteComponent(*said)
        rows.append(PageComponent(place, state, text or "6.1.0", shown))
        return DrawnComponent(place, text or kind, text or called, text or "6.0.1", text or "6.1.0", state)

    switches = [row("fabric-switch", f"fabric-{half}", "-", half) for half in "ab"]
    modules = [row("io-module", f"io-{n}", "1", f"io-{n}") for n in (1, 2)]
    drawn = [
        DrawnServer(text or str(n), text or f"host-{n}", tuple(row(kind, f"host-{n}", "1", str(n)) for kind in kinds))
        for n in range(1, servers + 1)
    ]
    bar = SpaceBar(text or "switch", "40", "20", text or "2 MB free", bad=True)
    bars = (GanttBar(text or "a", (Span(0, 20), Span(20, 60, "half"))),)
    window = PageWindow(text or "Window 1", text or "today", text or "60", timeline(bars, 60, 30, str), (bar,))
    one = rows[0]
    return PageDomain(
        number,
        text or "holm",
        text or f"domain-{number}",
        text or "gaps",
        text or "1 of 20 at 6.1",
        {state: sum(row.state is state for row in rows) for state in states},
        ((text or "bios", text or "8 at 6.0.1"),),
        tuple(rows),
        gaps=(PageGap("error", text or "jump-refused", 1, text or "bios: no"),),
        halves=halves(
            (),
            [DrawnPair(text or "fabric", switches[0], switches[1], is_sure=True)],
            [DrawnPair(text or "1", modules[0], modules[1], is_sure=False)],
        ),
        panels=tuple(
            panel(text or f"chassis {at // 8 + 1}", drawn[at : at + 8], modules) for at in range(0, servers, 8)
        ),
        space=(bar,),
        plans=(PagePlan(text or "p", text or "6.1", text or "118", text or "window 1 is next", (window,), text),),
        changes=tuple(
            PageChange(
                day, one.number, one.shown.component, text or what, runs, text, facts, text or "kim", text or "-"
            )
            for day, what, runs, facts in (
                ("2026-11-01", "", "5.4.2", rows[3].facts),
                ("2026-11-20", "activated 6.0.1", text or "6.0.1", one.facts),
            )
        ),
    )
