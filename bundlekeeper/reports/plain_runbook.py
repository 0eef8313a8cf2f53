"""A run-book as plain text of 80 columns: to be read on a terminal, or printed with a page for each window."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from string import ascii_lowercase

from bundlekeeper.formats.escape import visible
from bundlekeeper.reports.pictures import gantt
from bundlekeeper.reports.runbook import ActionRow, OpenGap, Runbook, RunbookText, SheetCell, StepPage, WindowSheet

WIDTH = 80
_SHELL_WORD = re.compile(r"""(?:[^\s'"]|'[^']*'|"[^"]*"|['"])+""")
_NAME, _CELL = 34, 9  # characters of a row's name, at most, and of one box with its time


def text(page: Runbook) -> str:
    """The run-book as plain text; only a word that is longer than a line makes a line longer than 80 characters."""
    return "\n".join(_lines(page)) + "\n"


def _lines(page: Runbook) -> Iterator[str]:
    yield from _front(page)
    yield from _before(page)
    for sheet in page.sheets:
        yield "\f"
        yield from _sheet(page, sheet)
    yield "\f"
    yield from _appendix(page)


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


def _command(words: str) -> Iterator[str]:
    """A command over several lines that can be pasted: broken only between words of the shell, with a backslash."""
    line = "     "
    for word in _SHELL_WORD.findall(visible(words)):
        if len(line) + len(word) + 3 > WIDTH and line.strip():
            yield f"{line} \\"
            line = "       "
        line += f" {word}"
    yield line


def _title(words: str, mark: str = "=") -> Iterator[str]:
    yield ""
    shown = _put(words)
    yield from shown
    yield mark * min(WIDTH, max(map(len, shown)))


def _facts(rows: Iterable[tuple[str, str]]) -> Iterator[str]:
    for label, value in rows:
        yield from _put(f"{label}: {value}", "  ", "      ")


def _ticks(rows: Iterable[RunbookText]) -> Iterator[str]:
    for tick in rows:
        yield from _put(f"{tick.text}{f' ({tick.source})' if tick.source else ''}", "  [ ] ")


def _front(page: Runbook) -> Iterator[str]:
    yield from _put(page.title)
    yield "*" * WIDTH
    yield from _put(page.verdict, "* ")
    for gap in page.errors:
        yield from _gap(gap)
    yield "*" * WIDTH
    yield from _put(page.subtitle)
    yield from _title("Windows")
    for row in page.windows:
        yield from _put(f"{row.number}  {row.what}: {row.when}; {row.minutes}", "  ", "     ")
        yield from _put(f"down at most {row.down}; turn back by {row.turn_back}", "     ")
    yield ""
    yield from _facts(page.glance)
    yield from _title("Cautions")
    for caution in page.cautions:
        yield from _put(caution, "  ! ")


def _gap(gap: OpenGap) -> Iterator[str]:
    yield from _put(f"{gap.level}: {gap.code}: {gap.subject}: {gap.message}", "  [ ] ")
    yield from (_put(f"rule: {gap.source}", "      ") if gap.source else ())
    yield from (_put(gap.hint, "      ") if gap.hint else ())
    yield "      closed by: _______________________________  when: ______________________"


def _before(page: Runbook) -> Iterator[str]:
    yield from _title("Before the first window")
    yield from _ticks(page.preconditions)
    yield from _title("Open gaps: close each, or write down who accepts it", "-")
    for gap in page.gaps:
        yield from _gap(gap)
    if not page.gaps:
        yield "  none more" if page.errors else "  none was found"
    yield from _put(page.gap_counts, "  ")
    yield from _title("What was checked, and what was not", "-")
    for message in page.checked:
        yield from _put(message, "  - ")


def _sheet(page: Runbook, sheet: WindowSheet) -> Iterator[str]:
    yield from _put(f"{page.header} | {sheet.place} | plan {page.digest[:12] or 'without a file'}")
    yield from _title(sheet.title)
    yield from _put(f"{sheet.when}; work of {sheet.minutes}")
    if page.stop:
        yield from _put("STOP: do not begin. The first page has the reasons.", "* ")
    yield from _put(f"TURN BACK BY {sheet.turn_back}: {sheet.turn_back_reason}", "* ")
    yield from (_put(sheet.message) if sheet.message else ())
    if sheet.staging:
        yield from _title("Before the window: this has no effect yet", "-")
        yield from _ticks(sheet.staging)
    if sheet.first:
        yield from _title("First", "-")
        yield from _ticks(sheet.first)
    yield ""
    yield from gantt.lines(sheet.bars, sheet.length)
    yield f"    {gantt.KEY}"
    for bar in sheet.space:
        yield from _put(f"{bar.label}: {bar.text}", "  space ", "        ")
    yield from _table(sheet.columns, sheet)
    yield "  window closed by: _______________________________  when: ___________________"
    yield "  deviations: " + "_" * 64


def _table(columns: Sequence[str], sheet: WindowSheet) -> Iterator[str]:
    yield ""
    name_width = min(_NAME, max((len(visible(row.name)) for row in sheet.rows), default=0) + 2)
    most = (WIDTH - name_width - 2) // _CELL
    for begin in range(0, len(columns), most):
        part = columns[begin : begin + most]
        letters = ascii_lowercase[begin : begin + len(part)].ljust(len(part), "?")
        for letter, column in zip(letters, part, strict=True):
            yield from _put(f"{letter} = {column}", "  ")
        yield "  " + " " * name_width + "".join(f"{letter:<{_CELL}}" for letter in letters).rstrip()
        for row in sheet.rows:
            name = visible(row.name)
            if len(name) >= name_width:
                yield f"  {name}"
                name = ""
            cells = "".join(f"{_cell(cell):<{_CELL}}" for cell in row.cells[begin : begin + most])
            yield f"  {name:<{name_width}}{cells}".rstrip()
        yield ""


def _cell(cell: SheetCell) -> str:
    if not cell.at:
        return "-"
    return "_______" if cell.field else f"[ ]{visible(cell.at)}"


def _appendix(page: Runbook) -> Iterator[str]:
    yield from _title("Appendix: details")
    if page.shell:
        yield from _put("The commands below record the work. Type this first, in the same shell:", "  ")
        yield from _put(page.shell, "    ")
    for step in page.steps:
        yield from _step(step)
    for sheet in page.sheets:
        yield from _title(f"{sheet.title}: every action", "-")
        yield from _put("~ assumed minutes: neither the manifest nor a measurement gives them", "  ")
        for action in sheet.actions:
            yield from _action(action)
    yield from _title("What this was made from")
    yield from _facts(page.facts)
    yield from _title("Signatures")
    yield ""
    yield "  approved by: __________________________________  when: ______________________"
    yield "  carried out by: _______________________________  when: ______________________"
    yield "  read back by: _________________________________  when: ______________________"
    yield ""
    yield from _put(page.closing)


def _step(step: StepPage) -> Iterator[str]:
    yield from _title(step.title, "-")
    for row in step.components:
        yield from _put(f"{row.what}: {row.start} -> {row.end}; {row.how} ({row.source})", "  - ")
    for bundle in step.bundles:
        yield from _put(bundle, "  bundle ", "    ")
    for rule in step.rules:
        yield from _put(f"rule: {rule.text} ({rule.source})", "  - ")
    for back in step.back:
        yield from _put(f"back: {back.what}: {back.how}; until {back.until}", "  - ")
        yield from (_put(f"destroyed by {back.destroyed_by}", "    ") if back.destroyed_by else ())
        yield from (_put(back.rule, "    ") if back.rule else ())


def _action(row: ActionRow) -> Iterator[str]:
    yield from _put(f"{row.at} ({row.minutes}): {row.verb}: {row.subject}", "  - ")
    yield from (_put(row.detail, "    ") if row.detail else ())
    yield from (_put(f"down: {row.down}", "    ") if row.down != "nothing" else ())
    yield from _put(f"verify: {row.verify}", "    ")
    yield from (_command(row.command) if row.command else ())
    yield from (_put(f"back: {row.back}", "    ") if row.back else ())
