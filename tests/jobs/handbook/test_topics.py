"""The topics of the handbook: the list is the files, each part is filled in, and a terminal loses no word of them."""

from __future__ import annotations

import contextlib
import io
import itertools
import re
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.cli.screen.handbook.topics import markdown
from bundlekeeper.cli.screen.help import COMMANDS, EXIT_STATUSES
from bundlekeeper.errors import InputError
from bundlekeeper.jobs import config
from bundlekeeper.jobs.handbook import topics
from bundlekeeper.jobs.handbook.parts import kinds, parts, recorded_columns, table
from bundlekeeper.jobs.recording.selection import Places
from bundlekeeper.jobs.recording.statements import Asked, RecordDetails
from bundlekeeper.links.redfish.user_map import MapEntry
from bundlekeeper.model.config import KEYS
from bundlekeeper.model.inventory.cells import tables
from bundlekeeper.model.store_settings import StoreSettings
from bundlekeeper.model.vocabulary import KINDS

FOLDER = Path(topics.__file__).parents[2] / "handbook"
PARTS = parts(EXIT_STATUSES, lambda: config.shown({"XDG_CONFIG_HOME": "/none"}, Path("/store"), "kim"))
#: Each topic with tables of keys, and what the readers of those keys take.
DECLARED = {
    "inventory": ["inventory", "read_at", "zone", "complete", *itertools.chain(*tables(())
                  .values()), "redfish", *(key.name for key in fields(MapEntry))],
    "columns": ["columns", "ignored", "[keys]", "[versions]", "[values]"],
    "trust": [key.name.removesuffix("_s") for key in fields(StoreSettings)],
}  # fmt: skip


def test_the_topics_are_the_files() -> None:
    assert sorted(topics.TOPICS) == sorted(path.stem for path in FOLDER.glob("*.md"))
    lines = topics.titles()
    assert list(lines) == list(topics.TOPICS)
    for name, title in lines.items():
        assert 0 < len(title) <= 80 - len("  automation  "), name


def test_every_part_is_used_and_each_name_is_a_part() -> None:
    used = [part for name in topics.TOPICS for part in topics.part_names(name)]
    assert sorted(used) == sorted(PARTS)
    for name in topics.TOPICS:
        assert "{{" not in topics.topic(name, PARTS)


def test_a_part_has_what_the_code_declares() -> None:
    assert all(f"| `{kind}` |" in kinds() for kind in KINDS)
    assert "| `bios` | two-bank | policy | switch |\n" in kinds()
    assert "| `bios` | server | 1 | 20 | in a server |\n" in kinds()
    assert all(f"| `{key}` |" in topics.topic("config", PARTS) for key in KEYS)
    for name, keys in DECLARED.items():
        text = topics.topic(name, PARTS)
        assert [key for key in keys if f"| `{key}` | " not in text] == []
    columns = {field.name for cls in (Asked, Places, RecordDetails) for field in fields(cls)} - {"verb"}
    assert columns == {*re.findall(r"`([a-z_]+)`", recorded_columns())}
    assert all(f"| {status} | {means} |" in topics.topic("exit", PARTS) for status, means in EXIT_STATUSES)
    assert table(("a",), [("x|y",)]) == "| a |\n| --- |\n| x\\|y |"


def test_a_wrong_config_file_does_not_keep_its_own_topic_away() -> None:
    def wrong() -> config.ConfigShown:
        raise InputError("there is no key stor", hint="did you mean store?", where="/home/kim/config.toml")

    text = topics.topic("config", parts(EXIT_STATUSES, wrong))
    assert "`/home/kim/config.toml`: there is no key stor. did you mean store?" in text


def test_a_word_that_is_no_topic_is_refused_with_the_nearest() -> None:
    with pytest.raises(InputError) as refused:
        topics.topic("manfest", PARTS)
    assert refused.value.hint == "did you mean: bundlekeeper help manifest"
    with pytest.raises(InputError) as refused:
        topics.topic("../../README", PARTS)
    assert "lists the topics" in refused.value.hint


def test_every_command_that_a_topic_names_exists() -> None:
    """In its code: what follows `bundlekeeper`."""
    text = "\n".join(topics.topic(name, PARTS) for name in topics.TOPICS)
    named = set(re.findall(r"(?m)(?:`|^\$ |^)bundlekeeper ([a-z]+)\b", text))
    assert len(named) > 10
    assert named <= set(COMMANDS)
    assert set(re.findall(r"bundlekeeper help ([a-z]+)", text)) <= set(topics.TOPICS)


class _Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("name", topics.TOPICS)
def test_a_terminal_of_80_columns_loses_no_word(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every letter of the Markdown is on the screen, in whatever order the cells of its tables wrap."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TERM", "xterm")
    text, screen = topics.topic(name, PARTS), _Screen()
    with contextlib.redirect_stdout(screen):
        markdown(text)
    shown = re.sub(r"\x1b\[[0-9;]*m", "", screen.getvalue())
    assert max(map(len, shown.splitlines())) <= 80
    assert _letters(shown) == _letters(_without_marks(text))


def _without_marks(text: str) -> str:
    return re.sub(r"(?m)^```\w*$|^\|[ |-]*\|$", "", text)


def _letters(text: str) -> Any:
    return sorted(re.findall(r"[A-Za-z0-9]", text))
