"""Flips, commands on what they left, and the comparison with what the whole store answers."""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import re
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

from tests.flips.world import DATABASES, World, make

PATIENCE_S = 60  # a command that a flip leaves waiting for ever is killed, and seen
COMMANDS: dict[str, tuple[str, ...]] = {
    "list": ("store", "list", "--json"),
    "check --quick": ("verify", "--quick", "--quiet", "--json"),
    "check": ("verify", "--quiet", "--json"),
    "where": ("where", "--json"),
    "where --withdrawn": ("where", "--withdrawn", "--json"),
    "gaps": ("gaps", "holm-a", "--to", "6.1", "--json"),
    "add": ("store", "add", "MANIFEST", "--from", "DOWNLOADS", "--quiet", "--json"),
}
#: What else is asked where the ledger is flipped: every way in which `where` asks, and what reads all of it.
OF_LEDGER: dict[str, tuple[str, ...]] = {
    "where, component": ("where", "HOLMA-IO1", "--json"),
    "where, server": ("where", "HOLMA-B1", "--json"),
    "where, switch": ("where", "HOLMA-SW1", "--json"),
    "where, domain": ("where", "holm-a", "--json"),
    "where, site": ("where", "skerry", "--gone", "--json"),
    "where, slot": ("where", "holm/holm-a/1/3", "--json"),
    "where --slot": ("where", "--slot", "3", "--json"),
    "where --kind": ("where", "--kind", "bios", "--json"),
    "where --by": ("where", "--count", "site,domain,kind,active", "--json"),
    "where --by, others": ("where", "--count", "chassis,spare,pending", "--kind", "io-module", "--json"),
    "where --bundle": ("where", "--bundle", "infrastructure/6.1.0", "--json"),
    "where --version": ("where", "--version", "6.0.1", "--bank", "boot_files", "--json"),
    "where --on": ("where", "--on", "2026-11-22", "--json"),
    "where, component --on": ("where", "HOLMA-IO1", "--on", "2026-11-22", "--json"),
    "where --known": ("where", "--known", "2026-11-29", "--json"),
    "where --history": ("where", "HOLMA-IO1", "--history", "--json"),
    "where, gone": ("where", "HOLMA-IO2", "--gone", "--json"),
    "ledger undo": ("ledger", "undo", "--last", "--reason", "wrong", "--reported-by", "kim", "--dry-run", "--json"),
    "ledger verify": ("ledger", "verify", "--json"),
}
_TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?(\+00:00|Z)")


def commands_for(database: str) -> dict[str, tuple[str, ...]]:
    """The commands that are run after a flip in this database, by name."""
    return {**COMMANDS, **OF_LEDGER} if database == "ledger" else COMMANDS


@dataclass(frozen=True)
class Ran:
    """One command's exit status (negative: the signal that ended it) and its JSON, None where it printed none."""

    status: int
    document: Any


@dataclass(frozen=True)
class Violation:
    """What one command did wrongly after one flip; `replay` are the words that repeat it."""

    kind: str
    command: str
    replay: str
    detail: str


@dataclass
class Outcome:
    """What came of all flips: exit statuses by command, and the violations."""

    statuses: Counter[tuple[str, int]] = field(default_factory=Counter)
    violations: list[Violation] = field(default_factory=list)


class Forks:
    """Runs command lines by fork; what a command imports is imported here once, so that the next one need not."""

    def __init__(self) -> None:
        self._out = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the process
        self._modules = tempfile.TemporaryFile()  # noqa: SIM115

    def __call__(self, words: Sequence[str]) -> int:
        """Run one command line and return its status. Raises OSError."""
        return self.run(words).status

    def run(self, words: Sequence[str]) -> Ran:
        """Run one command line. Raises OSError."""
        sys.stdout.flush()
        sys.stderr.flush()
        for file in (self._out, self._modules):
            file.seek(0)
            file.truncate()
        known = frozenset(sys.modules)
        child = os.fork()
        if not child:
            self._be(words)
        _, ended = os.waitpid(child, 0)
        self._modules.seek(0)
        for name in self._modules.read().decode().split():
            if name not in known:
                with contextlib.suppress(Exception):
                    importlib.import_module(name)
        self._out.seek(0)
        try:
            document = json.loads(self._out.read())
        except ValueError:
            document = None
        return Ran(os.waitstatus_to_exitcode(ended), document)

    def _be(self, words: Sequence[str]) -> None:
        """The child: one command, as a process that was started for it. Never returns."""
        status: object = 70
        try:
            signal.alarm(PATIENCE_S)
            os.dup2(self._out.fileno(), 1)
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
            sys.argv = ["bundlekeeper", *words]
            from bundlekeeper.__main__ import main

            main()
        except SystemExit as end:
            status = end.code
        finally:
            with contextlib.suppress(Exception):
                sys.stdout.flush()
                os.write(self._modules.fileno(), " ".join(sorted(sys.modules)).encode())
            os._exit(status if isinstance(status, int) else 0 if status is None else 1)


def plain(value: Any, since: datetime) -> Any:
    """The JSON value without times of the run itself, which began at `since`."""
    if isinstance(value, dict):
        return {key: plain(each, since) for key, each in value.items()}
    if isinstance(value, list):
        return [plain(each, since) for each in value]
    return _TIME.sub(lambda found: _of_now(found[0], since), value) if isinstance(value, str) else value


def _of_now(text: str, since: datetime) -> str:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return text
    return "<now>" if since <= at <= since + timedelta(seconds=2 * PATIENCE_S) else text


def fault(was: Ran, is_: Ran) -> tuple[str, str] | None:
    """What is wrong with an answer, beside that of the whole store: kind and detail; None where nothing is. Pure."""
    document = is_.document if isinstance(is_.document, dict) else {}
    error = document.get("error", {})
    if is_.status not in (0, 1, 2, 3, 4):
        return "bug", f"status {is_.status}: {error.get('message', '')}"
    found = [each for each in document.get("findings", ()) if each["code"] == "damaged"]
    if is_ == was:
        return None
    if is_.status == 3:
        hinted = error.get("hint") or any(each["hint"] for each in found)
        return None if hinted else ("no way out", str(error or document.get("findings", "no JSON"))[:300])
    if found:
        return None
    if is_.status in (0, 1):
        return "false answer", f"status {was.status} -> {is_.status}: {_difference(was.document, is_.document)}"
    return "misleading", f"status {is_.status}: {error.get('message', '')}"


def _difference(was: Any, is_: Any, path: str = "") -> str:
    """The first place where two JSON values differ."""
    if isinstance(was, dict) and isinstance(is_, dict):
        for key in [*was, *(key for key in is_ if key not in was)]:
            if was.get(key) != is_.get(key):
                return _difference(was.get(key), is_.get(key), f"{path}/{key}")
    if isinstance(was, list) and isinstance(is_, list):
        for number, (one, other) in enumerate(zip(was, is_, strict=False)):
            if one != other:
                return _difference(one, other, f"{path}/{number}")
        return f"{path}: {len(was)} -> {len(is_)} rows"
    return f"{path}: {str(was)[:80]!r} -> {str(is_)[:80]!r}"


class Flipper:
    """One world, what it answers while whole, and flips in one of its databases."""

    def __init__(self, folder: Path, database: str, seed: int) -> None:
        self._folder, self._database, self._seed = folder, database, seed
        self.commands = commands_for(database)
        self._forks = Forks()
        self._made = 0
        self._renew()

    def _renew(self) -> None:
        """A world, all its files as they are, and every command's answer."""
        self._made += 1
        base = self._folder / str(self._made)
        base.mkdir()
        self._world: World = make(base, self._forks)
        self._keeper = self._world.root / ".keeper"
        self.path = self._keeper / DATABASES[self._database]
        self._whole = {path: path.read_bytes() for path in self._files_of(self._keeper)}
        self._tree = self._fingerprints()
        self._answers = {}
        for name in self.commands:
            self._answers[name] = self._answer(name)
            self._restore()
            status = self._answers[name].status
            assert status in (0, 1), f"the whole store answers {name} with {status}"
            assert self._fingerprints() == self._tree, f"{name} touches the files of a whole store"

    def flip(self, number: int, outcome: Outcome) -> None:
        """Turn the bit of this number and run every command; add what came of it to `outcome`."""
        draw = Random(f"{self._database}/{self._seed}/{number}")
        data = bytearray(self._whole[self.path])
        at = draw.randrange(len(data))
        if number % 2:
            at = draw.choice([place for place, byte in enumerate(data) if byte])
        data[at] ^= 1 << (bit := draw.randrange(8))
        around = bytes(data[max(0, at - 12) : at + 13])
        replay = f"--database {self._database} --seed {self._seed} --first {number} --count 1"
        for name in self.commands:
            self.path.write_bytes(data)
            found = self._answer(name)
            outcome.statuses[name, found.status] += 1
            wrong = fault(self._answers[name], found)
            moved = self._fingerprints() != self._tree
            if moved:
                wrong = "moved", f"status {found.status}"
            if wrong is not None:
                detail = f"byte {at}, bit {bit}, {around!r}: {wrong[1]}"
                outcome.violations.append(Violation(wrong[0], name, replay, detail))
            if moved:
                self._renew()
                return  # the next command would be reported of another world
            self._restore()

    def _answer(self, name: str) -> Ran:
        meant = {"MANIFEST": str(self._world.manifest), "DOWNLOADS": str(self._world.downloads)}
        words = [meant.get(word, word) for word in self.commands[name]]
        since = datetime.now(UTC) - timedelta(milliseconds=1)
        ran = self._forks.run([*words, "--store", str(self._world.root)])
        return Ran(ran.status, plain(ran.document, since))

    def _restore(self) -> None:
        """The databases and what lies beside them as they were."""
        for path in self._files_of(self._keeper):
            if path not in self._whole:
                path.unlink()
        for path, data in self._whole.items():
            if not path.exists() or path.read_bytes() != data:
                path.write_bytes(data)

    @staticmethod
    def _files_of(folder: Path) -> Iterator[Path]:
        return (path for path in list(folder.rglob("*")) if path.is_file())

    def _fingerprints(self) -> dict[str, tuple[int, ...]]:
        """Every file of the store outside .keeper: its bundles, manifests and quarantine."""
        found: dict[str, tuple[int, ...]] = {}
        for folder in (path for path in self._world.root.iterdir() if path.name != ".keeper"):
            for path in self._files_of(folder):
                status = path.lstat()
                found[str(path)] = status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns
        return found


def run(database: str, seed: int, first: int, count: int, tell: Callable[[str], None]) -> Outcome:
    """Make `count` flips from number `first` on in a new world; each violation is reported at once. Raises OSError."""
    outcome = Outcome()
    with tempfile.TemporaryDirectory(prefix="flips-") as folder:
        flipper = Flipper(Path(folder), database, seed)
        tell(f"{database}: {flipper.path.stat().st_size} bytes")
        for number in range(first, first + count):
            reported = len(outcome.violations)
            flipper.flip(number, outcome)
            for each in outcome.violations[reported:]:
                tell(f"{each.kind}: {each.command}: {each.detail} ({each.replay})")
    return outcome
