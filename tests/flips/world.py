"""The store that the flips are made in: small bundles, three manifests, verifications, an accepted finding, a fleet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

from bundlekeeper.demo import tour_world

MARRAM = Path(__file__).parents[2] / "manifests" / "marram-2026-11.toml"
DATABASES = {"store database": "store.sqlite", "ledger": "ledger.sqlite"}
_SMALL = tuple((family, version, size // 512) for family, version, size in tour_world.BUNDLES)
_STAGE = ("--bundle", "infrastructure/6.1.0", "--evidence", "digest-read-back", "--reported-by", "kim")


@dataclass(frozen=True)
class World:
    """A store's folder, its bundles' source and the manifest that was added last."""

    root: Path
    downloads: Path
    manifest: Path


def make(base: Path, run: Callable[[Sequence[str]], int]) -> World:
    """Make the world below the folder `base`, by the commands that `run` runs."""
    with patch.object(tour_world, "BUNDLES", _SMALL):
        tour_world.make_downloads(base / "downloads")
        text = tour_world.reviewed_manifest().replace('"own copy"  ', '"publisher: list of 2026-08-02"  ')
    old, now, new = (base / f"marram-{number}.toml" for number in (13, 14, 15))
    old.write_text(text.replace("sequence = 14", "sequence = 13\nexpires = 2026-08-20"), "utf-8")
    now.write_text(text, "utf-8")
    new.write_text(_withdrawing(text).replace("sequence = 14", "sequence = 15"), "utf-8")
    world = World(base / "store", base / "downloads", new)
    add = ("--from", str(world.downloads), "--quiet")
    for words in (
        ("store", "add", str(old), *add, "--allow-expired", "the newer one is on its way"),
        ("store", "add", str(now), *add),
        ("store", "add", str(new), *add),
        ("inventory", "load", str(MARRAM), "--reported-by", "kim"),
        ("stage", "HOLMA-IO1", *_STAGE),
        ("activate", "HOLMA-IO1", "--reported-by", "kim"),
        ("observe", "HOLMA-IO1", "--active", "6.0.1", "--reported-by", "kim"),
        ("stage", "HOLMA-SW1", *_STAGE),
        ("inventory", "load", str(_later(base)), "--reported-by", "ola"),
        ("verify", "--quiet"),  # what it remembers of the manifest, later runs find
    ):
        status = run([*words, "--store", str(world.root)])
        assert status in (0, 1), f"{words}: {status}"
    return world


def _later(base: Path) -> Path:
    """A later inventory, in which one component was replaced and one runs another version."""
    text = MARRAM.read_text("utf-8").replace("read_at = 2026-11-20", "read_at = 2026-11-23")
    text = text.replace('serial = "HOLMA-IO2"', 'serial = "NEW-IO2"').replace('active = "6.0.1"', 'active = "6.0.2"', 1)
    path = base / "office-later.toml"
    path.write_text(text, "utf-8")
    return path


def _withdrawing(text: str) -> str:
    """The manifest with one blade bundle withdrawn."""
    rows = text.split("[[bundle]]")
    (at,) = (i for i, row in enumerate(rows) if 'file = "marram-blade-6.0.1.bin"' in row)
    rows[at] = rows[at].replace('lifecycle = "superseded"', 'lifecycle = "withdrawn"\nreason = "memory errors"')
    return "[[bundle]]".join(rows)
