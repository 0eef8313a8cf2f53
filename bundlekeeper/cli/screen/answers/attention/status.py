"""What needs attention, on one screen of 80 columns, and as JSON."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import MARKS, next_line, put
from bundlekeeper.cli.screen.tables import Column, width_of, write
from bundlekeeper.findings import Level, is_ok
from bundlekeeper.formats.escape import counted, human_bytes, shell_word

if TYPE_CHECKING:
    from bundlekeeper.jobs.attention.items import AttentionItem
    from bundlekeeper.jobs.attention.status import Attention
    from bundlekeeper.jobs.config import ConfigShown, ConfigValue

_SHOWN = 9  # items of two lines each: with the head and the counts one screen of 24 lines
_TITLE = 30  # columns of an item's title, where its line is long enough

CONFIG_COLUMNS: tuple[Column[ConfigValue], ...] = (
    Column("key", lambda value: value.key),
    Column("value", lambda value: value.text),
    Column("from", lambda value: value.source),
)


def show(found: Attention, form: OutputForm) -> None:
    """The answer in the form that was asked for."""
    if form is OutputForm.JSON:
        output.envelope("status", found.findings, _as_json(found))
    else:
        _show_text(found)


def show_config(shown: ConfigShown, form: OutputForm) -> None:
    """The values that hold where no option says otherwise."""
    if form is OutputForm.JSON:
        values = {value.key: {"value": value.text, "from": value.source} for value in shown.values}
        output.envelope("status", [], {"config": {"path": str(shown.path), "there": shown.is_there, "values": values}})
        return
    write(CONFIG_COLUMNS, shown.values)
    output.line(f"config file: {shown.path}{'' if shown.is_there else ' (not there)'}")


def _as_json(found: Attention) -> dict[str, Any]:
    counts = {"in_store": found.in_store, "verified": found.verified, "unverified": found.in_store - found.verified}
    counts |= {"missing": found.missing}
    return {
        "store": str(found.root),
        "at": found.at.isoformat(),
        "manifest": found.manifest,
        "counts": {**counts, "bytes": found.bytes, "accepted": found.accepted},
        "items": [_item_as_json(item) for item in found.items],
    }


def _item_as_json(item: AttentionItem) -> dict[str, Any]:
    return {
        "level": item.level.value,
        "code": item.worst.code,
        "count": item.count,
        "title": item.title,
        "worst": item.worst.subject,
        "message": item.worst.message,
        "since": item.since.isoformat() if item.since else None,
        "command": _command(item),
    }


def _show_text(found: Attention) -> None:
    if found.is_empty:
        output.line(f"store: {found.root}")
        output.line("nothing yet: no bundle, no inventory, nothing recorded")
        next_line("bundlekeeper store add MANIFEST --from DIR")
        return
    head = f"{found.manifest or 'no manifest yet'}, {found.at:%Y-%m-%d %H:%MZ}"
    put(f"{head}; in the store: {counted(found.in_store, 'bundle')}, {human_bytes(found.bytes)}")
    for item in found.items[:_SHOWN]:
        _show_item(item)
    if len(found.items) > _SHOWN:
        put(f"and {counted(len(found.items) - _SHOWN, 'more matter')} (--json has all)", "    ", "    ")
    output.tell_accepted(found.findings)
    if is_ok(found.findings):
        output.line("nothing needs attention")
    output.line(f"{found.verified} of {counted(found.in_store + found.missing, 'bundle')} verified")
    urgent = [item for item in found.items if item.level is not Level.NOTE]
    if urgent:
        next_line(_command(urgent[0]))


def _show_item(item: AttentionItem) -> None:
    since = f", since {item.since}" if item.since else ""
    mark = MARKS.get(item.level, "    ")
    more = f"{item.worst.subject}{since}" if item.count == 1 else f"{item.worst.subject}{since}, and others"
    width = width_of(sys.stdout)
    text = (
        f"{item.title:<{_TITLE}}  {more}" if width is None or width >= len(mark) + _TITLE else f"{item.title}: {more}"
    )
    put(f"{item.title}{since}" if item.matter.is_single else text, mark, "      ")
    if item.level is not Level.NOTE:
        output.line(f"      {_command(item)}")


def _command(item: AttentionItem) -> str:
    """The command, about the worst of them where it is about one."""
    return output.of_store(item.matter.command.format(name=shell_word(item.name or item.worst.subject)))
