"""A store used at random against a simple model: add, verify, damage, remove, rebuild, sources that come and go.

What must hold whatever happened: no name in a family's folder holds bytes that we put there wrongly; nothing wrong that
was found is lost; what `store list` calls verified is what the manifest says; a run brings everything that can be had.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from tempfile import mkdtemp

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from bundlekeeper.model.progress import Silent
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.verifying.read import ReadingLimits
from bundlekeeper.store.verifying.verify import CheckMeans, check_store
from tests.kits.store_kit import Kit, now

#: Four bundles; the first two are the same bytes under two names, the last two are of one size.
RIGHT = {"a.bin": b"alike" * 50, "b.bin": b"alike" * 50, "c.bin": b"c" * 90, "d.bin": b"d" * 90}
VERSIONS = {"a.bin": "6.1.0", "b.bin": "6.1.1", "c.bin": "6.1.2", "d.bin": "6.1.3"}
PLACES = {f"blade/{VERSIONS[name]}/{name}": data for name, data in RIGHT.items()}
WRONG = (b"alike" * 49 + b"aliKe", b"C" * 90, b"", b"longer" * 99)
NAME, PLACE = st.sampled_from(list(RIGHT)), st.sampled_from(list(PLACES))


class Stores(RuleBasedStateMachine):
    """One store, one source folder."""

    @initialize()
    def begin(self) -> None:
        """An empty store."""
        self.base = Path(mkdtemp())
        self.kit = Kit(self.base)
        self.sequence = 0
        self.kept: set[bytes] = set()  # wrong bytes that must be in quarantine from now on
        with Store.open(self.kit.root, write=True) as store:
            store.database(write=True).close()

    # What lies where

    def _on_disk(self) -> dict[str, bytes]:
        return {place: data for place, data in self.kit.tree().items() if place in PLACES}

    def _quarantine(self) -> set[bytes]:
        folder = self.kit.root / "quarantine"
        return {path.read_bytes() for path in folder.iterdir() if not path.name.endswith(".note.txt")}

    # What others do

    @rule(name=NAME, data=st.sampled_from(sorted({*RIGHT.values(), *WRONG})))
    def offer(self, name: str, data: bytes) -> None:
        """Somebody lays a file into the source, right or wrong."""
        self.kit.offer(name, data)

    @rule(name=NAME, other=st.sampled_from(["renamed.bin", "sub/x.bin"]))
    def offer_under_another_name(self, name: str, other: str) -> None:
        """The right bytes under a name that no bundle has."""
        self.kit.offer(other, RIGHT[name])

    @rule()
    def empty_the_source(self) -> None:
        """The stick is gone."""
        shutil.rmtree(self.kit.source)
        self.kit.source.mkdir()

    @rule(place=PLACE, data=st.sampled_from(WRONG), through=st.booleans())
    def damage(self, place: str, data: bytes, through: bool) -> None:
        """Other bytes at a bundle's place: a new file there, or written through the file and so through its names."""
        path = self.kit.root / place
        if not path.exists():
            return
        if not through:
            path.unlink()
        else:
            path.chmod(0o644)
        path.write_bytes(data)

    @rule(place=PLACE)
    def drop(self, place: str) -> None:
        """Somebody removes a file."""
        (self.kit.root / place).unlink(missing_ok=True)

    @rule()
    def lose_the_database(self) -> None:
        """Can be rebuilt from the tree (every file then counts as unverified)."""
        with Store.open(self.kit.root, write=True) as store:
            store.rebuild(clock=now)
        assert "verified" not in self.kit.states().values()

    # What we do

    @rule(wanted=st.sets(NAME, min_size=1))
    def add(self, wanted: set[str]) -> None:
        """Everything wanted that can be had is in its place, whole; a wrong file there went to quarantine first."""
        before = self._on_disk()
        sources = {path.read_bytes() for path in self.kit.source.rglob("*") if path.is_file()}
        places = {place: data for place, data in PLACES.items() if place.rpartition("/")[2] in wanted}
        self.sequence += 1
        bundles = [self.kit.bundle(n, RIGHT[n], version=VERSIONS[n]) for n in RIGHT if n in wanted]
        result = self.kit.add(*bundles, manifest=self.sequence)
        stored = {row.place for row in self.kit.stored()}
        after = self._on_disk()
        for place, right in places.items():
            stands = before.get(place)
            if stands is not None and stands != right:
                self.kept.add(stands)
            known = {p for p, data in before.items() if data == right and p in stored}
            if right in sources or stands == right or known:
                assert after.get(place) == right, (place, result)
            else:
                assert place not in after
        assert {place: after.get(place) for place in PLACES if place not in places} == {
            place: before.get(place) for place in PLACES if place not in places
        }
        assert len(result.rows) == len(wanted)

    @rule(quick=st.booleans())
    def check(self, quick: bool) -> None:
        """Every stored file is right, or reported and moved, or reported as missing; a quick check misses nothing."""
        before, stored = self._on_disk(), {row.place for row in self.kit.stored()}
        with Store.open(self.kit.root, write=True) as store, store.database(write=True) as database:
            result = check_store(
                store, database, None, CheckMeans(now, Silent(), record=True), ReadingLimits(quick=quick)
            )
        reported = {finding.subject: finding.code for finding in result.findings}
        for place in stored:
            name, data = place.rpartition("/")[2], before.get(place)
            codes = {code for subject, code in reported.items() if name in subject}
            if data is None:
                assert "missing" in codes, (place, result)
            elif data != PLACES[place]:
                assert codes & {"altered", "truncated", "extended", "misnamed"}, (place, result)
                if place not in self._on_disk():
                    self.kept.add(data)
            else:
                assert not codes & {"altered", "truncated", "extended", "missing"}, (place, result)

    # What always holds

    @invariant()
    def nothing_wrong_is_called_verified(self) -> None:
        """Nothing is called verified that was not read."""
        if hasattr(self, "kit"):
            disk = self._on_disk()
            for place, state in self.kit.states().items():
                assert state != "verified" or disk.get(place) == PLACES[place]

    @invariant()
    def nothing_is_lost_or_left_behind(self) -> None:
        """ "bytes kept"; no temporary file stays."""
        if hasattr(self, "kit"):
            assert self.kept <= self._quarantine()
            assert os.listdir(self.kit.root / ".keeper/incoming") == []

    def teardown(self) -> None:
        """Remove everything."""
        if hasattr(self, "base"):
            shutil.rmtree(self.base)


TestStores = Stores.TestCase
TestStores.settings = settings(max_examples=12, stateful_step_count=15)
