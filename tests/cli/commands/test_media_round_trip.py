"""The round trip of media sets: main site to site and back, by real commands, and at random by a state machine."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import tempfile
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle as Made
from hypothesis.stateful import RuleBasedStateMachine, consumes, initialize, invariant, precondition, rule

from bundlekeeper.errors import RefusedError
from bundlekeeper.formats import moments
from bundlekeeper.ledger.ask import where as questions
from bundlekeeper.ledger.ask.types import Selector
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.media.receipt import compose
from bundlekeeper.media.receipt import read as receipt_read
from bundlekeeper.media.receipt import write as receipt_write
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.model.inventory.types import Place
from bundlekeeper.store.contents.store import Store
from bundlekeeper.verification.signatures.sign import sign_document
from tests.conftest import Keeper, Ran, World
from tests.kits.media_kit import MADE, Bundle, MadeSet, Site, make_set, manifest_text, now, sha, write_volume
from tests.kits.signing_world import private, private_pem, ssh_line

VOLUMES = 3


def bundles_of(sequence: int) -> tuple[Bundle, ...]:
    """The bundles of the set with this number: one whole on each of two volumes, one over all three."""
    version = f"6.{sequence}.0"
    seed = hashlib.sha256(version.encode()).digest()
    return (
        Bundle("infrastructure", version, seed * 40, (1,)),
        Bundle("blade", version, seed[::-1] * 60, (2,)),
        Bundle("rack", version, seed * 100 + b"end", (1, 2, 3)),
    )


MARRAM = Path(__file__).parents[3] / "manifests" / "marram-2026-11.toml"


class Stores:
    """Main site and another site as commands see them, each with its store; keys made by OpenSSH's format."""

    def __init__(self, keeper: Keeper, base: Path) -> None:
        self.base, self._keeper = base, keeper
        for which, name in enumerate(("holm", "skerry")):
            (base / f"{name}.key").write_bytes(private_pem(private("ed25519", which), ssh=True))
            (base / f"{name}.key").chmod(0o600)
            (base / f"{name}.pub").write_bytes(ssh_line(private("ed25519", which)))

    def run(self, store: str, *words: str | Path, status: int = 0, stdin: str = "") -> Ran:
        """Run a command with the store of this name and insist on its exit status."""
        ran = self._keeper(*words, env={"BUNDLEKEEPER_STORE": str(self.base / store)}, stdin=stdin)
        assert ran.status == status, f"{words}: {ran.status}\n{ran.out}{ran.err}"
        return ran

    def trusting(self) -> None:
        """Each side gets the other's key, carried by another way than the media."""
        self.run("site", "trust", "add", "holm", self.base / "holm.pub", "--form", "sshsig", "--for", "indexes")
        self.run(
            "main site", "trust", "add", "skerry", self.base / "skerry.pub", "--form", "sshsig", "--for", "receipts"
        )


@pytest.mark.slow
def test_a_set_goes_out_is_used_and_its_receipt_comes_back(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """Issue 6: "The air-gapped site's whole round trip", every step a process of its own."""
    stores = Stores(keeper, tmp_path)
    stores.run("main site", "store", "add", world.manifest, "--from", world.downloads)
    stores.run("main site", "inventory", "load", MARRAM)
    stores.trusting()
    pack = ("media", "pack", "--for", "skerry", "--volume", "4MB:folder", "--spare", "5%", "--out", "packing.json")
    stores.run("main site", *pack)
    media = [tmp_path / f"stick{n}" for n in (1, 2, 3)]
    for each in media:
        each.mkdir()
    to = [word for n, each in enumerate(media, 1) for word in ("--to", f"{n}={each}")]
    stores.run("main site", "media", "write", "packing.json", *to, "--key", tmp_path / "holm.key")
    came = stores.run("site", "media", "receive", media[2], "--json").json
    assert (came["complete"], sorted(came["to_come"])) == (False, ["1", "2"])
    assert stores.run("site", "media", "receive", media[0], media[1], "--json").json["complete"]
    kept = json.loads(stores.run("site", "store", "list", "--json").out)
    assert len(kept["bundles"]) == 6
    checked = stores.run("site", "verify", "--json").json  # the manifest names more than the set was to bring
    assert {(f["code"], f["level"]) for f in checked["findings"]} == {("not-in-store", "note")}
    assert [row["status"] for row in checked["rows"]].count("not-in-store") == 3
    sent = next((tmp_path / "site" / "rack").glob("*/*.bin"))
    away = sent.rename(tmp_path / "away")
    lacks = stores.run("site", "verify", "--quick", "--json", status=1).json
    assert [f["subject"] for f in lacks["findings"] if f["code"] == "missing"] == [
        f"rack/{sent.parent.name}/{sent.name}"
    ]
    away.rename(sent)
    manifest = next((tmp_path / "site" / "manifests").glob("*.toml"))
    named = stores.run("site", "verify", manifest, "--quick", "--json", status=1).json
    assert [f["code"] for f in named["findings"]].count("missing") == 3, "whoever names a manifest asks for all of it"
    stores.run("site", "inventory", "load", MARRAM)
    word = (
        "--site",
        "skerry",
        "--kind",
        "fabric-switch",
        "--bundle",
        "infrastructure/6.1.0",
        "--reported-by",
        "keeper",
    )
    anyway = ("--anyway", "the switches have space: looked at by hand")
    stores.run("site", "stage", *word, "--bank", "boot_files", *anyway, status=1)  # a rule asks for a stop between
    receipt = tmp_path / "skerry.receipt"
    stores.run("site", "receipt", "write", "--out", receipt, "--key", tmp_path / "skerry.key")
    stores.run("main site", "media", "list", status=1)
    read = stores.run("main site", "receipt", "read", receipt, "--json").json
    assert (read["receipt"]["site"], read["known_set"]) == ("skerry", True)
    answers = [stores.run(s, "where", "--site", "skerry", "--json").json["components"] for s in ("main site", "site")]
    assert answers[0] == answers[1] != []
    stored = [each["version"] for row in answers[0] if row["kind"] == "fabric-switch" for each in row["boot_files"]]
    assert "6.1.0" in stored, "what was staged at the site is known at the main site"
    again = stores.run("main site", "receipt", "read", receipt, "--json").json
    assert (again["events"]["new"], again["new"]) == (0, False)
    stores.run("main site", "media", "list")


@pytest.mark.slow
def test_withdrawals_alone_go_out_and_are_known_there(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """Issue 6: "`media write --notice` carries withdrawals alone"."""
    stores = Stores(keeper, tmp_path)
    stores.run("site", "store", "add", world.manifest, "--from", world.downloads)
    text = world.manifest.read_text()
    sequence = int(re.findall(r"^sequence = (\d+)", text, re.MULTILINE)[0])
    newer = re.sub(r"^sequence = .*$", f"sequence = {sequence + 1}", text, flags=re.MULTILINE)
    at = newer.index('file = "marram-blade-6.0.1.bin"')
    standing = newer.index("lifecycle = ", at)
    line = newer[standing : newer.index("\n", standing)]
    newer = newer[:standing] + 'lifecycle = "withdrawn"\nreason = "loses settings"' + newer[standing + len(line) :]
    world.manifest.write_text(newer)
    stores.run("main site", "store", "add", world.manifest, "--from", world.downloads, status=1)
    stores.trusting()
    stores.run("site", "inventory", "load", MARRAM)
    medium = tmp_path / "stick"
    medium.mkdir()
    stores.run("main site", "media", "write", "--notice", "--to", medium, "--key", tmp_path / "holm.key")
    assert not list(medium.rglob("*.bin"))
    came = stores.run("site", "media", "receive", medium, "--json", status=1).json  # it is held there
    assert [f["code"] for f in came["findings"]] == ["withdrawn"]
    assert came["complete"]
    assert [(each["version"], each["reason"]) for each in came["notices"]] == [("6.0.1", "loses settings")]
    rows = stores.run("site", "store", "list", "--json", status=1).json["bundles"]
    assert [row["file"] for row in rows if row["lifecycle"] == "withdrawn"] == ["marram-blade-6.0.1.bin"]
    assert stores.run("site", "where", "--withdrawn", "--json").json["components"] != []


class RoundTrip(RuleBasedStateMachine):
    """Sets of volumes go out, come in any order, whole or damaged or not at all; receipts come back, shuffled."""

    receipts = Made("receipts")

    def __init__(self) -> None:
        super().__init__()
        self.base = Path(tempfile.mkdtemp(prefix="round-trip-"))
        self.main_site = Site(self.base / "main site", trusting=None)
        self.skerry = Site(self.base / "skerry")
        with Store.open(self.main_site.root, write=True) as store:
            self.main_site.trust(store, "skerry", 1, "receipts")
        self.sets: dict[int, MadeSet] = {}
        self.came: dict[int, set[str]] = {}  # by set: paths of parts that were whole when they came
        self.whole: dict[str, bytes] = {}  # by place: what must be there
        self.highest = 0
        self.events = 0
        self.read_up_to = 0
        self.snapshots: dict[int, Any] = {0: []}
        self.turn = 0

    def teardown(self) -> None:
        """Leave nothing behind."""
        shutil.rmtree(self.base)

    @initialize()
    def ledgers(self) -> None:
        """Both sides have a ledger."""
        for site in (self.main_site, self.skerry):
            self._ledger(site).close()

    def _ledger(self, site: Site) -> Ledger:
        return Ledger.open(site.root / ".keeper" / "ledger.sqlite", write=True)

    @rule()
    @precondition(lambda self: len(self.sets) < 3)
    def send(self) -> None:
        """A new set, whose manifest names the bundles of all before it, too."""
        number = len(self.sets) + 1
        every = [each for n in range(1, number + 1) for each in bundles_of(n)]
        manifest = manifest_text(every, number)
        with self._ledger(self.main_site) as ledger, Store.open(self.main_site.root, write=True) as store:
            issuer = ledger.head().ledger
            sent = Sets(store).begin(
                issuer=issuer,
                packing=f"{number:064x}",
                platform="marram",
                meant_for="skerry",
                volumes=VOLUMES,
                manifest=sha(manifest),
                at=MADE,
            )
            assert sent.sequence == number
            made = make_set(bundles_of(number), sequence=number, set_id=sent.set_id, issuer=issuer, manifest=manifest)
            Sets(store).keep_sent_index(sent, made.data, made.signature)
        self.sets[number], self.came[number] = made, set()

    @rule(
        data=st.data(),
        order=st.permutations(range(1, VOLUMES + 1)),
        count=st.integers(1, VOLUMES),
        harm=st.sampled_from(["", "", "", "flip", "cut", "lose", "unfinished"]),
    )
    @precondition(lambda self: bool(self.sets))
    def receive(self, data: st.DataObject, order: list[int], count: int, harm: str) -> None:
        """Some volumes of one set come, the first of them harmed."""
        number = data.draw(st.sampled_from(sorted(self.sets)))
        made = self.sets[number]
        self.turn += 1
        medium = self.base / f"medium{self.turn}"
        roots = [write_volume(made, volume, medium) for volume in order[:count]]
        victim = data.draw(st.sampled_from(sorted(p for p in made.payload[order[0]] if "manifests" not in p)))
        harmed = roots[0] / "data" / victim
        if harm == "flip":
            harmed.write_bytes(bytes([harmed.read_bytes()[0] ^ 1]) + harmed.read_bytes()[1:])
        elif harm == "cut":
            harmed.write_bytes(harmed.read_bytes()[:-1])
        elif harm == "lose":
            harmed.unlink()
        elif harm == "unfinished":
            (roots[0] / "bagit.txt").unlink()
        good = {p for volume in order[:count] for p in made.payload[volume]}
        if harm == "unfinished":
            good = {p for volume in order[1:count] for p in made.payload[volume]}
        elif harm:
            good.discard(victim)
        try:
            came = self.skerry.receive(medium)
        except RefusedError:
            unfinished = harm == "unfinished" and count == 1
            assert unfinished or number < self.highest, "only an older set is refused, and one that was not finished"
            return
        assert number >= self.highest
        self.highest = number
        self.came[number] |= good
        for each in made.index.files:
            if each.role == "bundle" and all(part.path in self.came[number] for part in each.parts):
                self.whole[each.path] = next(b.data for b in bundles_of(number) if b.path == each.path)
        assert came.complete == all(each.path in self.whole for each in made.index.files if each.role == "bundle")

    @rule(kind=st.sampled_from([EventKind.STAGED, EventKind.ACTIVATED]), part=st.integers(1, 3))
    def work(self, kind: EventKind, part: int) -> None:
        """Something is done at the site and recorded there."""
        self.events += 1
        event = Event(
            what=kind,
            at=moments.at(MADE + timedelta(minutes=self.events)),
            reported_by="keeper",
            component=f"S-{part}",
            kind="bios",
            model="Tern-2",
            place=Place("skerry", "skerry-a"),
            version=f"6.{self.events % 5}.0",
            bank="pending" if kind is EventKind.STAGED else "",
        )
        with self._ledger(self.skerry) as ledger:
            ledger.record([event], MADE + timedelta(minutes=self.events))
        self.snapshots[self.events] = self._where(self.skerry)

    @rule(target=receipts, all_of_them=st.booleans())
    @precondition(lambda self: self.highest > 0)
    def answer(self, all_of_them: bool) -> tuple[Path, int, int]:
        """The site writes a receipt with all its events, or those that the main site has not got yet."""
        self.turn += 1
        out = self.base / f"receipt{self.turn}"
        after = 0 if all_of_them else self.read_up_to
        key = private("ed25519", 1)
        with self._ledger(self.skerry) as ledger, Store.open(self.skerry.root, write=True) as store:
            received, index = compose.chosen(store, "")
            made = compose.compose(
                store, ledger, received, index, made=now(), site="skerry", reported_by="me", after=after
            )
            receipt_write.write(out, made, ledger, lambda sha512: sign_document(key, "receipts", {"sha512": sha512}))
        return out, after, self.events

    def _read(self, receipt: tuple[Path, int, int]) -> None:
        path, after, count = receipt
        with self._ledger(self.main_site) as ledger, Store.open(self.main_site.root, write=True) as store:
            answer = receipt_read.read(store, ledger, path, None, now=now())
        assert "altered" not in {f.code for f in answer.findings}
        if after <= self.read_up_to:
            self.read_up_to = max(self.read_up_to, count)

    @rule(receipt=receipts)
    def read(self, receipt: tuple[Path, int, int]) -> None:
        """A receipt is read at the main site; it may be read again."""
        self._read(receipt)

    @rule(receipt=consumes(receipts))
    def lose(self, receipt: tuple[Path, int, int]) -> None:
        """A receipt never arrives."""
        receipt[0].unlink()

    def _where(self, site: Site) -> Any:
        with self._ledger(site) as ledger:
            return questions.where(ledger, Selector(), clock=MADE + timedelta(days=1))

    @invariant()
    def what_is_in_the_store_is_whole_and_nothing_else_is(self) -> None:
        """ "takes into the receiving store with the same guarantees as `store add`" (issue 6)."""
        assert self.skerry.bundles() == self.whole

    @invariant()
    def the_main_site_answers_as_the_site_did(self) -> None:
        """ "merges it into the ledger, twice is the same as once, in any order" (issue 6)."""
        assert self._where(self.main_site) == self.snapshots[self.read_up_to]


RoundTrip.TestCase.settings = settings(max_examples=12, stateful_step_count=14)
TestRoundTrip = RoundTrip.TestCase
