"""A run-book in short as the text of a change ticket: Markdown (CommonMark).

Rules: the same data as the run-book, nothing else; every value is data: what Markdown would read as its own is escaped.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from bundlekeeper.formats.escape import visible
from bundlekeeper.reports.runbook import OpenGap, Runbook

_OWN = re.compile(r"([\\`*_{}\[\]<>#|!~&])")


def ticket(page: Runbook) -> str:
    """The ticket's text."""
    return "\n".join(_lines(page)) + "\n"


def _data(words: str) -> str:
    return _OWN.sub(r"\\\1", visible(words))


def _lines(page: Runbook) -> Iterator[str]:
    yield f"# Change: {_data(page.header)}"
    yield ""
    yield f"**{_data(page.verdict)}**"
    yield from _gaps(page.errors)
    yield ""
    yield "## When, and what is down"
    yield ""
    yield "| window | what | when | work | down at most | turn back by |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for row in page.windows:
        cells = (row.number, row.what, row.when, row.minutes, row.down, row.turn_back)
        yield f"| {' | '.join(map(_data, cells))} |"
    yield ""
    yield from (f"- {_data(label)}: {_data(value)}" for label, value in page.glance)
    yield ""
    yield "## What changes"
    yield ""
    for step in page.steps:
        yield from (f"- {_data(f'{row.what}: {row.start} to {row.end}')}" for row in step.components)
    yield ""
    yield "## How we get back"
    yield ""
    for step in page.steps:
        for back in step.back:
            rule = f"; {back.rule}" if back.rule else ""
            yield f"- {_data(f'{step.title}: {back.what}: {back.how}; until {back.until}{rule}')}"
    for sheet in page.sheets:
        yield f"- {_data(f'{sheet.title}: turn back by {sheet.turn_back}: {sheet.turn_back_reason}')}"
    yield ""
    yield "## Open gaps"
    yield from _gaps(page.gaps)
    yield from ("", _data(page.gap_counts), "")
    yield "## Before the first window"
    yield ""
    yield from (f"- [ ] {_data(tick.text)}" for tick in page.preconditions)
    yield ""
    yield "## Made from"
    yield ""
    yield from (f"- {_data(label)}: {_data(value)}" for label, value in page.facts)
    yield from ("", _data(page.closing))


def _gaps(rows: Iterable[OpenGap]) -> Iterator[str]:
    yield ""
    for gap in rows:
        hint = f" ({gap.hint})" if gap.hint else ""
        yield f"- [ ] {_data(f'{gap.level}: {gap.code}: {gap.subject}: {gap.message}{hint}')}"
