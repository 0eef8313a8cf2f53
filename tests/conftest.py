"""Shared fixtures: the command line as a real process, and the tour's invented world as files."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from bundlekeeper.demo import tour_world

HARBOUR = Path(__file__).parent.parent / "manifests" / "marram-2026-11.toml"

# A shell that starts us in the background, or nohup, has us ignore signals, and so would every child that a test stops.
for _number in (signal.SIGHUP, signal.SIGINT, signal.SIGQUIT, signal.SIGTERM):
    if signal.getsignal(_number) is signal.SIG_IGN:
        signal.signal(_number, signal.default_int_handler if _number == signal.SIGINT else signal.SIG_DFL)


# No property is about speed, so that a busy machine fails none. In CI the same examples every time, so that a landing
# never depends on luck; at a developer's desk new ones each run.
settings.register_profile("desk", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", settings.get_profile("desk"), derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "desk")


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
            "PYTHONWARNINGS": "error",
            "COLUMNS": "240",
            **(env or {}),
        }
        done = subprocess.run(
            [sys.executable, "-m", "bundlekeeper", *map(str, arguments)],
            env=environment,
            input=stdin.encode("utf-8", "surrogateescape"),
            capture_output=True,
            cwd=cwd or tmp_path,
            check=False,
        )
        out, err = (stream.decode("utf-8", "surrogateescape") for stream in (done.stdout, done.stderr))
        assert "Traceback" not in err, err
        return Ran(done.returncode, out, err)

    return run


@dataclass(frozen=True)
class World:
    """The tour's world on disk: downloads, the publisher's list, the reviewed manifest."""

    downloads: Path
    publisher: Path
    manifest: Path

    def names(self) -> list[str]:
        """The bundles' file names, sorted."""
        return sorted(p.name for p in self.downloads.iterdir())


@pytest.fixture
def world(tmp_path: Path) -> World:
    """A fresh copy of the tour's world, its manifest confirmed against the publisher (so that all is well)."""
    tour_world.make_downloads(tmp_path / "downloads")
    manifest = tmp_path / "marram.toml"
    text = tour_world.reviewed_manifest().replace('"own copy"  ', '"publisher: download page, 2026-08-02"  ')
    manifest.write_text(text, encoding="utf-8")
    return World(tmp_path / "downloads", tmp_path / "publisher" / "SHA256SUMS", manifest)


@pytest.fixture
def office(keeper: Keeper, world: World) -> Keeper:
    """A store with the tour's bundles and the office's inventory."""
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    assert keeper("inventory", "load", HARBOUR, "--reported-by", "kim").status == 0
    return keeper
