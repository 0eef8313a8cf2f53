"""What is at all sites, or at one: tiles of domains, pictures, and tables of components, as one HTML file.

Rules: the tables are the data, and the script only reads them; every text is ready to be shown, `?` for what is not
known, `-` for what there is none of; a state is a letter and a word, never a colour alone; the page runs nothing but
its own script, which it names by digest, and asks for no other file.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from bundlekeeper.model.release_state import RELEASE_STATES, ReleaseState, StateFacts
from bundlekeeper.reports.pages import render
from bundlekeeper.reports.pictures.cells import code_of
from bundlekeeper.reports.pictures.halves import HalvesPicture
from bundlekeeper.reports.pictures.panel import PanelPicture
from bundlekeeper.reports.pictures.space import SpaceBar
from bundlekeeper.reports.pictures.timeline import TimelinePicture
from bundlekeeper.reports.site_page import SiteComponent

_FOLDER = Path(__file__).parent / "templates"


@dataclass(frozen=True, slots=True)
class PageComponent:
    """One component: its row's number in the page, its state and the version that the release has for it."""

    number: int
    state: ReleaseState
    goal: str
    shown: SiteComponent

    @property
    def facts(self) -> StateFacts:
        """The letter and the words of its state."""
        return RELEASE_STATES[self.state]


@dataclass(frozen=True, slots=True)
class PageMatter:
    """One thing that needs attention, of several of its sort the worst; `command` shows them all."""

    level: str
    title: str
    worst: str
    since: str
    command: str


@dataclass(frozen=True, slots=True)
class PageGap:
    """Gaps of one code between a domain and the release."""

    level: str
    code: str
    count: int
    worst: str


@dataclass(frozen=True, slots=True)
class PageWindow:
    """One window that is left of a plan, over time, and the space that its images take."""

    title: str
    when: str
    minutes: str
    picture: TimelinePicture | None
    space: tuple[SpaceBar, ...]


@dataclass(frozen=True, slots=True)
class PagePlan:
    """One kept plan: `next` says which window is next, `stuck` what failed in which, each empty for none; `problem` why
    it has no windows here."""

    name: str
    release: str
    about: str
    next: str
    windows: tuple[PageWindow, ...]
    problem: str
    stuck: str = ""


@dataclass(frozen=True, slots=True)
class PageBundle:
    """One bundle of the store: what it is, its state in a word, when it was verified, and how long ago."""

    family: str
    version: str
    file: str
    state: str
    verified: str
    age: str


@dataclass(frozen=True, slots=True)
class PageChange:
    """What became of one component on one day: what was recorded, and how it stood at its end.

    `number` is its row; `facts` are None where it was not there.
    """

    day: str
    number: int
    component: str
    what: str
    runs: str
    staged: str
    facts: StateFacts | None
    reported_by: str
    evidence: str


@dataclass(frozen=True, slots=True)
class PageDomain:
    """One domain. `outcome` is a word of the tile, `detail` what it rests on; `running` counts versions by kind."""

    number: int
    site: str
    name: str
    outcome: str
    detail: str
    counts: Mapping[ReleaseState, int]
    running: tuple[tuple[str, str], ...]
    components: tuple[PageComponent, ...]
    gaps: tuple[PageGap, ...] = ()
    halves: HalvesPicture | None = None
    panels: tuple[PanelPicture, ...] = ()
    space: tuple[SpaceBar, ...] = ()
    plans: tuple[PagePlan, ...] = ()
    changes: tuple[PageChange, ...] = ()

    @property
    def codes(self) -> tuple[tuple[str, str], ...]:
        """What the letters below a state's letter in pictures mean."""
        return tuple((code_of(kind), kind) for kind, _ in self.running)

    @property
    def states(self) -> tuple[tuple[StateFacts, int], ...]:
        """How many components are in each state, the gravest first, without those that none is in."""
        return tuple((RELEASE_STATES[state], self.counts[state]) for state in ReleaseState if self.counts.get(state))


@dataclass(frozen=True, slots=True)
class OverviewPage:
    """The whole page; `release` is empty where there is none to compare with.

    `matters` are None on a site's page and on a past day's.
    """

    title: str
    as_of: str
    release: str
    notes: tuple[str, ...]
    matters: tuple[PageMatter, ...] | None
    domains: tuple[PageDomain, ...]
    facts: tuple[tuple[str, str], ...]
    bundles: tuple[PageBundle, ...] = ()
    since: str = ""

    @property
    def sites(self) -> tuple[tuple[str, tuple[PageDomain, ...]], ...]:
        """The domains by site, in their order."""
        names = dict.fromkeys(domain.site for domain in self.domains)
        return tuple((name, tuple(d for d in self.domains if d.site == name)) for name in names)

    @property
    def legend(self) -> tuple[StateFacts, ...]:
        """Every state's letter and meaning."""
        return tuple(RELEASE_STATES.values())


def html(page: OverviewPage) -> str:
    """The page as one HTML file."""
    from markupsafe import Markup

    style, script = _own("overview.css"), _own("overview.js")
    policy = (
        f"default-src 'none'; script-src '{_digest(script)}'; style-src '{_digest(style)}'; base-uri 'none'; "
        "form-action 'none'; require-trusted-types-for 'script'; trusted-types 'none'"
    )
    # Both are files of this package: nothing of them comes from data.
    return render("overview.html", page=page, policy=policy, style=Markup(style), script=Markup(script))  # noqa: S704


@cache
def _own(name: str) -> str:
    return (_FOLDER / name).read_text("utf-8")


def _digest(text: str) -> str:
    """A source of a Content-Security-Policy: the element's text by its digest (CSP Level 3 §2.3.1)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
