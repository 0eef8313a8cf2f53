"""What several tests share with those of store/adding/test_kill.py."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from pathlib import Path

import pytest

from bundlekeeper.store.adding.add import AddResult
from bundlekeeper.store.contents.repair import consulted
from bundlekeeper.store.contents.store import Store
from tests.kits import forked
from tests.kits.store_child import bundles_of
from tests.kits.store_kit import Kit

ROOT = Path(__file__).parents[2]


GOOD, RIGHT, WRONG = b"good bytes", b"right", b"wrong"


needs_strace = pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")


def sha256(data: bytes) -> str:
    """Hexadecimal SHA-256."""
    return hashlib.sha256(data).hexdigest()


def fresh(base: Path) -> Path:
    """One good file, a second bundle with the same bytes, one wrong file; no store."""
    (base / "source").mkdir(parents=True)
    (base / "source/a.bin").write_bytes(GOOD)
    (base / "source/b.bin").write_bytes(WRONG)
    rows = [["a.bin", len(GOOD), sha256(GOOD), "6.1.0"], ["same.bin", len(GOOD), sha256(GOOD), "6.2.0"]]
    rows.append(["b.bin", len(RIGHT), sha256(RIGHT), "6.3.0"])
    (base / "bundles.json").write_text(json.dumps(rows))
    return base


def added(base: Path) -> AddResult:
    """The same run in this process, which is quicker."""
    # A killed process may hold the lock for an instant after its parent saw it die.
    return Kit(base).add(*bundles_of(Kit(base), base), wait_s=10.0)


def ran(base: Path, *before: str) -> forked.Ended:
    """Run the take as a process of its own, under `before`."""
    return forked.run(["-m", "tests.kits.store_child", base], under=before)


def settled(base: Path) -> None:
    """Old or new, never between: every file in a family's folder is whole; the store database has no more rows."""
    allowed = {"a.bin": {GOOD}, "same.bin": {GOOD}, "b.bin": {RIGHT}}
    for path in (base / "store").glob("*/*/*"):
        if path.parts[-3] == "blade" and path.read_bytes() != GOOD[::-1]:
            assert path.read_bytes() in allowed[path.name], path
    for path in (base / "store/quarantine").glob("b.bin.????????????"):
        assert path.read_bytes() == WRONG
    for path in (base / "store/manifests").glob("*"):
        assert b'"marram"' in path.read_bytes()
        assert path.read_bytes().endswith(b"# end")
    if (base / "store/.keeper/store.sqlite").exists():
        # A manifest that was kept and not yet recorded counts for who consults the store database.
        with Store.open(base / "store", write=False) as store, consulted(store) as (database, damage):
            stored, verifications = database.stored(), database.verifications()
        assert all("store add was cut off" in each.message for each in damage), damage
        for row in stored:
            assert (base / "store" / row.place).read_bytes() in allowed[row.name] | {GOOD[::-1]}
        assert set(verifications) <= {row.place for row in stored}


def completes(base: Path) -> None:
    """A second run ends the work, a third has nothing left to read but the wrong file, and no litter is left."""
    done = [row.status for row in added(base).rows]
    assert done[2] == "quarantined"
    assert set(done[:2]) <= {"added", "same bytes", "already there"}
    again = added(base)
    assert [row.status for row in again.rows] == ["already there", "already there", "quarantined"]
    assert again.read_bytes == len(WRONG)
    assert os.listdir(base / "store/.keeper/incoming") == []
    assert (base / "store/blade/6.1.0/a.bin").read_bytes() == GOOD
    names = sorted(p.name for p in (base / "store/quarantine").iterdir() if p.name.startswith("b.bin"))
    assert names == [f"b.bin.{sha256(WRONG)[:12]}", f"b.bin.{sha256(WRONG)[:12]}.note.txt"]
