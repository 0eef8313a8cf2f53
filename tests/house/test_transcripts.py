"""The sessions in the README, in DEVELOPERS.md and in the handbook are run and must print what the documents show.

The handbook's are run in the order of its topics, in the folder of a tour with its store, as their reader has it.

A line `...` stands for any lines. Dates and times are folded, because they are today's.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bundlekeeper.jobs.handbook.topics import TOPICS, handbook_file
from tests.kits import forked

ROOT = Path(__file__).parents[2]
BLOCK = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)

#: One command of ours without what only a shell does: a pipe, a variable, a pattern, a second command. The tour's steps
#: print into both streams by turns.
PLAIN = re.compile(r"""bundlekeeper (?!tour\b)[^|&;<>$*?~`\\(){}#\[\]!\n]*""")
HOME = "/home/you"  # what the documents show where the sessions' folder stands


def _commands(text: str) -> Iterator[tuple[str, list[str]]]:
    """Each `$ command` of a document's sessions, with the lines shown under it."""
    for block in BLOCK.findall(text):
        command = ""
        shown: list[str] = []
        for line in block.splitlines():
            if line.startswith("$ "):
                if command:
                    yield command, shown
                command, shown = line[2:], []
            else:
                shown.append(line)
        if command:
            yield command, shown


def _folded(line: str) -> str:
    line = re.sub(r"\d{4}-\d\d-\d\d( \d\d:\d\dZ)?", "DATE", line)
    line = re.sub(r"\b(batch|undo) [0-9a-f]{4}\b", r"\1 BATCH", line)
    return re.sub(r"\s+", " ", line).strip()


def _matches(shown: list[str], printed: list[str]) -> bool:
    """True when `printed` is `shown`, with `...` standing for any lines."""
    if not shown:
        return not printed
    if shown[0] == "...":
        return any(_matches(shown[1:], printed[i:]) for i in range(len(printed) + 1))
    return bool(printed) and _folded(shown[0]) == _folded(printed[0]) and _matches(shown[1:], printed[1:])


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_sessions_print_what_the_document_shows(document: str, tmp_path: Path) -> None:
    """Command-line transcripts in the README and DEVELOPERS.md are run as tests."""
    commands = list(_commands((ROOT / document).read_text("utf-8")))
    assert commands or document != "README.md"
    _run_all(commands, tmp_path)


def test_sessions_print_what_the_handbook_shows(tmp_path: Path) -> None:
    begin = [("bundlekeeper tour demo", ["..."]), ("cd demo", []), ("export BUNDLEKEEPER_STORE=store", [])]
    texts = [handbook_file(f"{topic}.md") for topic in TOPICS]
    sessions = [list(_commands(text)) for text in texts]
    assert sum(map(bool, sessions)) > 4
    _run_all([*begin, *(command for session in sessions for command in session)], tmp_path)


def _run_all(commands: list[tuple[str, list[str]]], tmp_path: Path) -> None:
    scripts = str(Path(sys.executable).parent)
    environment = {**os.environ, "PATH": f"{scripts}{os.pathsep}{os.environ['PATH']}", "COLUMNS": "200"}
    environment.pop("BUNDLEKEEPER_STORE", None)
    shutil.copytree(ROOT / "manifests", tmp_path / "manifests")
    folder = tmp_path
    for command, shown in commands:
        if command.startswith("cd "):
            folder = folder / command[3:]
            continue
        if command.startswith("export "):
            name, _, value = command[7:].partition("=")
            environment[name] = value
            continue
        printed = _printed(command, folder, environment)
        assert _matches(shown, printed.replace(str(tmp_path), HOME).splitlines()), f"$ {command}\n{printed}"


def _printed(command: str, folder: Path, environment: dict[str, str]) -> str:
    """What a line of a session prints: as one command where it is no more than that, else as a shell does it."""
    if PLAIN.fullmatch(command):
        ended = forked.run(["-m", *shlex.split(command)], cwd=folder, env=environment)
        return ended.stdout + ended.stderr
    done = subprocess.run(
        ["bash", "-c", command],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    return done.stdout


def test_the_matcher_can_fail() -> None:
    """A session that prints something else is seen."""
    assert _matches(["a", "...", "c"], ["a", "b", "c"])
    assert not _matches(["a", "...", "c"], ["a", "b"])
    assert not _matches(["a"], ["a", "b"])
    assert not _matches(["a"], ["b"])
