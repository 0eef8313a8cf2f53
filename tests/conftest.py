"""Shared fixtures: the command line as a real process, and the tour's invented world as files."""

from __future__ import annotations

import gc
import json
import os
import shutil
import signal
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, settings

from bundlekeeper.demo import tour_world
from tests.kits import forked

if TYPE_CHECKING:
    from playwright.sync_api import Browser

MARRAM = Path(__file__).parent.parent / "manifests" / "marram-2026-11.toml"

# A shell that starts us in the background, or nohup, has us ignore signals, and so would every child that a test stops.
for _number in (signal.SIGHUP, signal.SIGINT, signal.SIGQUIT, signal.SIGTERM):
    if signal.getsignal(_number) is signal.SIG_IGN:
        signal.signal(_number, signal.default_int_handler if _number == signal.SIGINT else signal.SIG_DFL)


# No property is about speed, so that a busy machine fails none. In CI the same examples every time, so that a landing
# never depends on luck, and half as many, since they find nothing new; at a developer's desk new ones each run.
settings.register_profile("desk", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", settings.get_profile("desk"), derandomize=True, max_examples=50)
settings.load_profile("ci" if os.environ.get("CI") else "desk")

# What one process of the tests has compiled, the others need not.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# No test reads the config file of whoever runs it.
os.environ["XDG_CONFIG_HOME"] = os.devnull


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One worker more than there are cores: the tests' fsyncs leave a core idle now and then."""
    return len(os.sched_getaffinity(0)) + 1


@pytest.hookimpl(wrapper=True)
def pytest_collection(session: pytest.Session) -> Iterator[None]:
    """The tests themselves stay until the end: the collector need not go through them all again and again."""
    gc.disable()
    if session.config.args_source is pytest.Config.ArgsSource.TESTPATHS:
        _compile_my_part(getattr(session.config, "workerinput", None))
    try:
        return (yield)
    finally:
        gc.collect()
        gc.freeze()
        gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest first, so that at the end no worker is left alone with one."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)


def _compile_my_part(worker: Mapping[str, Any] | None) -> None:
    """The workers, who all import all of the tests, first compile a part of them each, for all: half the work."""
    if worker is not None:
        here, mine, workers = Path(__file__).parent, int(worker["workerid"].removeprefix("gw")), worker["workercount"]
        for module in sorted(here.rglob("test_*.py"))[mine::workers]:
            with suppress(Exception):  # collecting it says what is wrong
                import_module(".".join(module.relative_to(here.parent).with_suffix("").parts))


@dataclass(frozen=True)
class Ran:
    """One finished command."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """stdout as one JSON document."""
        return json.loads(self.out)

    @property
    def codes(self) -> list[str]:
        """The finding codes of the JSON document, sorted."""
        return sorted(f["code"] for f in self.json["findings"])


Keeper = Callable[..., Ran]


@pytest.fixture
def keeper(tmp_path: Path) -> Keeper:
    """Run `bundlekeeper ARGUMENTS` as a process of its own, with a store in the test's folder."""
    store = tmp_path / "store"

    def run(
        *arguments: str | Path, env: Mapping[str, str] | None = None, stdin: str = "", cwd: Path | None = None
    ) -> Ran:
        environment = {
            **os.environ,
            "BUNDLEKEEPER_STORE": str(store),
            "COLUMNS": "240",
            **(env or {}),
        }
        words = ["-m", "bundlekeeper", *arguments]
        done = forked.run(words, env=environment, stdin=stdin, cwd=cwd or tmp_path)
        assert "Traceback" not in done.stderr, done.stderr
        return Ran(done.returncode, done.stdout, done.stderr)

    return run


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """A headless browser."""
    from tests.kits.browser import started

    with started() as browser:
        yield browser


@dataclass(frozen=True)
class World:
    """The tour's world on disk: downloads, the publisher's list, the reviewed manifest."""

    downloads: Path
    publisher: Path
    manifest: Path

    def names(self) -> list[str]:
        """The bundles' file names, sorted."""
        return sorted(p.name for p in self.downloads.iterdir())


@pytest.fixture(scope="session")
def made_world(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The tour's world, its manifest confirmed against the publisher (so that all is well), for `world` to copy."""
    base = tmp_path_factory.mktemp("made_world")
    tour_world.make_downloads(base / "downloads")
    text = tour_world.reviewed_manifest().replace('"own copy"  ', '"publisher: download page, 2026-08-02"  ')
    (base / "marram.toml").write_text(text, encoding="utf-8")
    return base


@pytest.fixture
def world(tmp_path: Path, made_world: Path) -> World:
    """A fresh copy of the tour's world."""
    shutil.copytree(made_world, tmp_path, copy_function=shutil.copyfile, dirs_exist_ok=True)
    return World(tmp_path / "downloads", tmp_path / "publisher" / "SHA256SUMS", tmp_path / "marram.toml")


@pytest.fixture
def office(keeper: Keeper, world: World) -> Keeper:
    """A store with the tour's bundles and the office's inventory."""
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    assert keeper("inventory", "load", MARRAM, "--reported-by", "kim").status == 0
    return keeper
