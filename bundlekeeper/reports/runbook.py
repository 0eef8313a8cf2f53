"""A run-book: what a person does in the windows of a route, printable, as one HTML file or as text of 80 columns.

Rules: cautions come first; each action has its method, its expected time, what is down, how to verify it, its way back,
and space for who and when; what is assumed says so; it renders what it is given, computes nothing, and calls no step
safe. Both forms have the same content.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from bundlekeeper.findings import Finding
from bundlekeeper.formats.escape import visible
from bundlekeeper.reports.pages import render

WIDTH = 80

#: The usual cautions (common practice).
CAUTIONS = (
    "Follow the hardware maker's release notes, local change control and the site's safety rules: they all come before "
    "what is printed here.",
    "Firmware work can take services down that people depend on. In hospitals, plants and the like, agree each window "
    "with those responsible for safety.",
    "Keep power and cooling steady: a loss of power in the middle of a write can leave a component unusable.",
    "Back up the configuration and read the backup back; a backup from a newer version does not restore on an older.",
    "Confirm redundancy before each step: nothing is taken down while what takes over for it is down.",
    "Take anti-static and lifting precautions when a component must be reseated.",
    "This is a plan. It says what was checked and what was not; it does not say that a step is without danger.",
)


@dataclass(frozen=True, slots=True)
class RunbookText:
    """A claim or a thing to tick, with where it is from."""

    text: str
    source: str


@dataclass(frozen=True, slots=True)
class OpenGap:
    """One open gap; `source` quotes its rules, empty for none."""

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
    """One action, in words. `command` records it; `back` is empty where it changes nothing."""

    number: str
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
class WindowPage:
    """One window. `gantt` are lines of text."""

    title: str
    message: str
    gantt: str
    rows: tuple[ActionRow, ...]


@dataclass(frozen=True, slots=True)
class StepPage:
    """One step with its windows."""

    title: str
    components: tuple[ComponentRow, ...]
    bundles: tuple[str, ...]
    rules: tuple[RunbookText, ...]
    back: tuple[BackRow, ...]
    windows: tuple[WindowPage, ...]


@dataclass(frozen=True, slots=True)
class Runbook:
    """The whole run-book. `shell` is what must be typed before its commands, empty for nothing."""

    title: str
    subtitle: str
    totals: tuple[tuple[str, str], ...]
    checked: tuple[str, ...]
    findings: tuple[Finding, ...]
    preconditions: tuple[RunbookText, ...]
    gaps: tuple[OpenGap, ...]
    gap_counts: str
    steps: tuple[StepPage, ...]
    facts: tuple[tuple[str, str], ...]
    shell: str = ""
    cautions: tuple[str, ...] = CAUTIONS
    closing: str = "bundlekeeper plans and records. It calls no step safe."


def html(page: Runbook) -> str:
    """The run-book as one HTML file."""
    return render("runbook.html", page=page)


def text(page: Runbook) -> str:
    """The run-book as plain text; only a word that is longer than a line makes a line longer than 80 characters."""
    return "\n".join(_lines(page)) + "\n"


def _put(words: str, indent: str = "", more: str | None = None) -> list[str]:
    rows = textwrap.wrap(
        visible(words),
        WIDTH,
        initial_indent=indent,
        subsequent_indent=" " * len(indent) if more is None else more,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return rows or [""]


def _title(words: str, mark: str = "=") -> Iterator[str]:
    yield ""
    shown = _put(words.upper() if mark == "=" else words)
    yield from shown
    yield mark * min(WIDTH, max(map(len, shown)))


def _facts(rows: Iterable[tuple[str, str]]) -> Iterator[str]:
    for label, value in rows:
        yield from _put(f"{label}: {value}", "  ", "      ")


def _lines(page: Runbook) -> Iterator[str]:
    yield from _put(page.title)
    yield from _put(page.subtitle)
    yield from _title("Cautions first")
    for each in page.cautions:
        yield from _put(each, "  ! ")
    yield from _title("At a glance")
    yield from _facts(page.totals)
    yield from _title("What was checked, and what was not")
    for each in page.checked:
        yield from _put(each, "  - ")
    for finding in page.findings:
        yield from _put(f"{finding.level.value}: {finding.code}: {finding.subject}: {finding.message}", "  - ")
        yield from (_put(finding.hint, "      ") if finding.hint else ())
    yield from _before(page)
    for step in page.steps:
        yield from _step(step)
    yield from _title("What this was made from")
    yield from _facts(page.facts)
    yield from _title("Deviations and signatures")
    yield from ["", "  " + "_" * 76] * 5
    yield ""
    yield "  approved by: __________________________________  when: ______________________"
    yield "  carried out by: _______________________________  when: ______________________"
    yield "  read back by: _________________________________  when: ______________________"
    yield ""
    yield from _put(page.closing)


def _before(page: Runbook) -> Iterator[str]:
    yield from _title("Before the first window")
    for tick in page.preconditions:
        yield from _put(f"{tick.text} ({tick.source})", "  [ ] ")
    if page.shell:
        yield ""
        yield from _put("The commands below record the work. Type this first, in the same shell:", "  ")
        yield from _put(page.shell, "    ")
    yield from _title("Open gaps: close each, or write down who accepts it", "-")
    for gap in page.gaps:
        yield from _put(f"{gap.level}: {gap.code}: {gap.subject}: {gap.message}", "  [ ] ")
        yield from (_put(f"rule: {gap.source}", "      ") if gap.source else ())
        yield from (_put(gap.hint, "      ") if gap.hint else ())
        yield "      closed by: _______________________________  when: ______________________"
    if not page.gaps:
        yield "  none was found"
    yield from _put(page.gap_counts, "  ")


def _step(step: StepPage) -> Iterator[str]:
    yield "\f"
    yield from _title(step.title)
    for row in step.components:
        yield from _put(f"{row.what}: {row.start} -> {row.end}; {row.how} ({row.source})", "  - ")
    yield from _title("Bundles", "-")
    for bundle in step.bundles:
        yield from _put(bundle, "  ", "    ")
    yield from _title("Rules that this step obeys", "-")
    for rule in step.rules:
        yield from _put(f"{rule.text} ({rule.source})", "  - ")
    yield from _title("Ways back from this step", "-")
    for back in step.back:
        yield from _put(f"{back.what}: {back.how}; until {back.until}", "  - ")
        yield from (_put(f"destroyed by {back.destroyed_by}", "    ") if back.destroyed_by else ())
        yield from (_put(back.rule, "    ") if back.rule else ())
    if not step.windows:
        yield ""
        yield from _put("No window could be planned for this step: see the findings above.")
    for window in step.windows:
        yield from _title(window.title, "-")
        yield from _put(window.message)
        yield from (visible(row) for row in window.gantt.split("\n"))
        yield from _put("~ assumed minutes: neither the manifest nor a measurement gives them", "    ")
        for action in window.rows:
            yield from _action(action)


def _action(row: ActionRow) -> Iterator[str]:
    yield ""
    yield from _put(f"{row.number}  minute {row.at} ({row.minutes}): {row.verb}: {row.subject}", "  [ ] ")
    yield from (_put(row.detail, "      ") if row.detail else ())
    yield from _put(f"down: {row.down}", "      ")
    yield from _put(f"verify: {row.verify}", "      ")
    yield from (_put(row.command, "        ", "          ") if row.command else ())
    yield from (_put(f"back: {row.back}", "      ") if row.back else ())
    yield "      who: _____________________________________  when: ______________________"
