"""A run-book: what a person does in the windows of a route, printable, as one HTML file or as text of 80 columns.

Rules: what forbids the work is in the first box; a sheet for each window, with all that is needed in it, its details in
the appendix; one row a server or component, one box for what a person does; a gap is there once; what is assumed says
so; it renders what it is given, computes nothing but where a page ends, and calls no step safe. Both forms have the
same content.
"""

from __future__ import annotations

from dataclasses import dataclass

from bundlekeeper.reports.pictures.gantt import GanttBar
from bundlekeeper.reports.pictures.space import SpaceBar
from bundlekeeper.reports.pictures.timeline import TimelinePicture

#: The usual cautions (common practice).
CAUTIONS = (
    "Follow the hardware maker's release notes, local change control and the site's safety rules: they all come before "
    "what is printed here.",
    "Firmware work can take services down that people depend on. In hospitals, plants and the like, agree each window "
    "with those responsible for safety.",
    "Keep power and cooling steady: a loss of power in the middle of a write can leave a component unusable.",
    "Back up the configuration and read the backup back; a backup from a newer version does not restore on an older.",
    "Confirm redundancy before each step: nothing is taken down while what takes over for it is down. Between two "
    "things that are down, wait for what the action before asks for, however long that takes.",
    "Take anti-static and lifting precautions when a component must be reseated.",
    "stage --upload brings a file over Redfish. It was never tried on real hardware: try it first on a component that "
    "may fail, and read each component itself afterwards.",
    "This is a plan. It says what was checked and what was not; it does not say that a step is without danger.",
)


@dataclass(frozen=True, slots=True)
class RunbookText:
    """A claim or a thing to tick, with where it is from; no source where none is needed."""

    text: str
    source: str


@dataclass(frozen=True, slots=True)
class OpenGap:
    """One open gap, of all subjects that have it; `source` quotes its rules, empty for none."""

    level: str
    code: str
    subject: str
    message: str
    hint: str
    source: str


@dataclass(frozen=True, slots=True)
class ComponentRow:
    """Like components of a step: what they run, what they will run, how it is written, and where that is from."""

    what: str
    start: str
    end: str
    how: str
    source: str


@dataclass(frozen=True, slots=True)
class BackRow:
    """The way back of like components; `bad` where there is none or it is not known."""

    what: str
    how: str
    until: str
    destroyed_by: str
    rule: str
    bad: bool


@dataclass(frozen=True, slots=True)
class ActionRow:
    """Like actions of a window, in words. `command` records them; `back` is empty where they change nothing."""

    at: str
    minutes: str
    verb: str
    subject: str
    detail: str
    down: str
    verify: str
    command: str
    back: str


@dataclass(frozen=True, slots=True)
class WindowLine:
    """One window on the first page. `missing` where its step could not be planned."""

    number: str
    what: str
    when: str
    minutes: str
    down: str
    turn_back: str
    missing: bool


@dataclass(frozen=True, slots=True)
class SheetCell:
    """What one row has under one column: when, and with `field` a line to write on beside or in place of the box.

    Without a time there is nothing to do there.
    """

    at: str
    field: bool


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One server or component of a window."""

    name: str
    cells: tuple[SheetCell, ...]


@dataclass(frozen=True, slots=True)
class WindowSheet:
    """One window on its sheet. `again` is the place of a page among those of the window, empty where it has one."""

    title: str
    place: str
    when: str
    minutes: str
    turn_back: str
    turn_back_reason: str
    message: str
    staging: tuple[RunbookText, ...]
    first: tuple[RunbookText, ...]
    picture: TimelinePicture | None
    bars: tuple[GanttBar, ...]
    length: int
    space: tuple[SpaceBar, ...]
    columns: tuple[str, ...]
    rows: tuple[SheetRow, ...]
    actions: tuple[ActionRow, ...]
    again: str = ""


@dataclass(frozen=True, slots=True)
class StepPage:
    """One step's details for the appendix."""

    title: str
    components: tuple[ComponentRow, ...]
    bundles: tuple[str, ...]
    rules: tuple[RunbookText, ...]
    back: tuple[BackRow, ...]


@dataclass(frozen=True, slots=True)
class Runbook:
    """The whole run-book. `shell` is what must be typed before its commands, empty for nothing; `errors` forbid it."""

    title: str
    subtitle: str
    header: str
    digest: str
    verdict: str
    stop: bool
    errors: tuple[OpenGap, ...]
    glance: tuple[tuple[str, str], ...]
    windows: tuple[WindowLine, ...]
    preconditions: tuple[RunbookText, ...]
    gaps: tuple[OpenGap, ...]
    gap_counts: str
    checked: tuple[str, ...]
    sheets: tuple[WindowSheet, ...]
    steps: tuple[StepPage, ...]
    facts: tuple[tuple[str, str], ...]
    shell: str = ""
    cautions: tuple[str, ...] = CAUTIONS
    closing: str = "bundlekeeper plans and records. It calls no step safe."
