"""Receiving a media set: any order, several days, damage, renaming, strangers, older and mixed sets."""

from __future__ import annotations

import itertools
import os
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import InputError, KeeperError, RefusedError
from bundlekeeper.media.receiving import join_parts
from bundlekeeper.media.receiving import source as set_source
from bundlekeeper.media.receiving.join_parts import Joining
from bundlekeeper.media.set.records import VERIFIED_HERE
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.media.set.withdrawal_notice import write_notice
from bundlekeeper.model.lint.read_manifest import read as read_manifest
from bundlekeeper.model.media.index import SetFile, write_index
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.disk.walk import WalkEntry
from bundlekeeper.verification.hashing import door
from bundlekeeper.verification.hashing.read import Digest
from tests.kits.media_kit import Bundle, MadeSet, Site, make_set, manifest_text, signed, write_set, write_volume
from tests.kits.received_sets import BUNDLES, SPLIT, codes, every_bundle


@pytest.fixture
def site(tmp_path: Path) -> Site:
    """The receiving store."""
    return Site(tmp_path / "skerry")


@pytest.fixture
def made() -> MadeSet:
    """A set of three volumes with a split file."""
    return make_set(BUNDLES)


@pytest.mark.fault(59)
@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_volumes_come_in_any_order_over_several_days(
    site: Site, made: MadeSet, tmp_path: Path, order: tuple[int, ...]
) -> None:
    """Issue 6: "in any volume order, over several days if needed"."""
    media = write_set(made, tmp_path)
    for turn, number in enumerate(order):
        came = site.receive(media[number].parent)
        assert codes(came) == []
        assert came.complete == (turn == 2)
        assert set(came.to_come) == {n + 1 for n in order[turn + 1 :]}
        assert (SPLIT.path in site.bundles()) == (turn == 2)
    assert site.bundles() == every_bundle()
    assert {a.how for a in came.received.arrived.values()} == {VERIFIED_HERE}
    assert len(came.received.volumes) == 3
    assert not list((site.root / ".keeper" / "incoming").iterdir())


def test_all_at_once_and_again_changes_nothing(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    first = site.receive(*media)
    assert first.complete and codes(first) == []
    before = site.tree()
    again = site.receive(*[m.parent for m in media])
    assert again.complete and codes(again) == []
    assert site.tree() == before == {**every_bundle(), "manifests/marram-1.toml": manifest_text(BUNDLES)}
    assert again.received == first.received
    assert {row.status for row in again.rows} == {"already there"}


def test_a_dry_run_reports_and_writes_nothing(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    before = sorted(p for p in site.root.rglob("*"))
    came = site.receive(*media, dry_run=True)
    assert {row.status for row in came.rows} == {"to add"}
    assert len(came.rows) == 3
    assert sorted(p for p in site.root.rglob("*")) == before
    part = site.receive(media[1], dry_run=True)
    assert set(part.to_come) == {1, 3}, "what is on volume 2 would come"


def test_an_unknown_key_is_refused_with_its_fingerprint_and_the_way(tmp_path: Path) -> None:
    """Issue 6: "`receive` prints an unknown fingerprint and exits 4"."""
    media = write_set(make_set(BUNDLES, key=7), tmp_path)
    site = Site(tmp_path / "skerry")
    before = sorted(site.root.rglob("*"))
    with pytest.raises(RefusedError) as caught:
        site.receive(media[0])
    assert "SHA256:" in caught.value.hint
    assert "trust add NAME KEY.pub --form sshsig --for indexes" in caught.value.hint
    assert [f.code for f in caught.value.problems] == ["unknown-key"]
    assert sorted(site.root.rglob("*")) == before


def test_a_key_for_receipts_signs_no_index(tmp_path: Path, made: MadeSet) -> None:
    media = write_set(made, tmp_path)
    site = Site(tmp_path / "skerry", trusting=None)
    with Store.open(site.root, write=True) as store:
        site.trust(store, "holm", 0, "receipts")
    with pytest.raises(RefusedError):
        site.receive(media[0])


def test_an_index_changed_after_signing_is_refused(site: Site, made: MadeSet, tmp_path: Path) -> None:
    made.data = made.data.replace(b'"for":"skerry"', b'"for":"holm"')
    with pytest.raises(RefusedError) as caught:
        site.receive(write_volume(made, 1, tmp_path))
    assert [f.code for f in caught.value.problems] == ["bad-signature"]
    assert site.bundles() == {}


@pytest.mark.fault(60)
@pytest.mark.attack("rollback")
def test_an_older_set_is_refused_unless_a_reason_is_recorded(site: Site, tmp_path: Path) -> None:
    newer = write_set(make_set([BUNDLES[0]], sequence=5, manifest=manifest_text(BUNDLES, 5)), tmp_path / "new")
    older = write_set(make_set([BUNDLES[1]], sequence=4, manifest=manifest_text(BUNDLES, 4)), tmp_path / "old")
    site.receive(newer[0])
    with pytest.raises(RefusedError, match="older"):
        site.receive(*older)
    with pytest.raises(InputError):
        site.receive(*older, allow_rollback=" ")
    assert site.receive(*older, allow_rollback="6.1.0 was withdrawn").complete
    with Store.open(site.root, write=False) as store, store.database(write=False) as database:
        assert ("rollback", "6.1.0 was withdrawn") in {(what, reason) for _, what, _, reason in database.exceptions()}


@pytest.mark.fault(43)
def test_a_set_begun_is_not_overtaken_in_silence(site: Site, tmp_path: Path) -> None:
    """A volume of the older set that comes after the newer set began is older all the same."""
    older = write_set(make_set(BUNDLES, sequence=4), tmp_path / "old")
    site.receive(older[0])
    site.receive(*write_set(make_set([BUNDLES[0]], sequence=5, manifest=manifest_text(BUNDLES, 5)), tmp_path / "new"))
    with pytest.raises(RefusedError, match="older"):
        site.receive(older[1])


@pytest.mark.fault(47)
@pytest.mark.attack("rollback")
@pytest.mark.parametrize("same_id", [False, True])
def test_another_set_under_the_same_number_is_a_contradiction(site: Site, tmp_path: Path, same_id: bool) -> None:
    """ "same serial, other bytes: refused as a contradiction"."""
    site.receive(*write_set(make_set([BUNDLES[0]], set_id="a" * 16, manifest=manifest_text(BUNDLES)), tmp_path / "one"))
    other = make_set([BUNDLES[1]], set_id="a" * 16 if same_id else "b" * 16, manifest=manifest_text(BUNDLES))
    message = "volumes of this set .* another index" if same_id else "another set with this number"
    with pytest.raises(RefusedError, match=message):
        site.receive(*write_set(other, tmp_path / "two"), allow_rollback="no reason helps")
    assert BUNDLES[1].path not in site.bundles()


@pytest.mark.fault(60)
@pytest.mark.attack("mix-and-match")
def test_volumes_of_two_sets_together_are_refused_with_their_names(site: Site, tmp_path: Path) -> None:
    one = write_set(make_set(BUNDLES, sequence=1), tmp_path / "one")
    two = write_set(make_set(BUNDLES, sequence=2), tmp_path / "two")
    with pytest.raises(RefusedError) as caught:
        site.receive(one[0], two[1])
    reported = " ".join(f.message for f in caught.value.problems)
    assert "marram-set0001" in reported and "marram-set0002" in reported
    assert site.bundles() == {}


def test_a_volume_without_bagit_txt_was_not_finished(site: Site, made: MadeSet, tmp_path: Path) -> None:
    """ "no completion mark"."""
    media = write_set(made, tmp_path)
    (media[0] / "bagit.txt").unlink()
    with pytest.raises(RefusedError) as caught:
        site.receive(media[0])
    assert "not finished" in caught.value.problems[0].message
    came = site.receive(*media)
    assert codes(came) == ["bad-volume"]
    assert set(came.to_come) == {1}
    begun = tmp_path / "begun" / "volume"
    begun.mkdir(parents=True)
    (begun / "UNFINISHED.txt").write_text("not finished")
    with pytest.raises(RefusedError) as early:
        site.receive(begun.parent)
    assert "not finished" in early.value.problems[0].message


@pytest.mark.fault(59)
def test_a_payload_of_another_set_under_a_volume_of_this_one_is_refused(site: Site, tmp_path: Path) -> None:
    ours, theirs = make_set(BUNDLES, sequence=1), make_set(BUNDLES[:1], sequence=2)
    root = write_volume(theirs, 1, tmp_path)
    for name, data in (("set-index.json", ours.data), ("set-index.json.sig", ours.signature)):
        (root / name).write_bytes(data)
    (root / "tagmanifest-sha256.txt").unlink()
    with pytest.raises(RefusedError, match="are not those of any volume"):
        site.receive(root)
    assert site.bundles() == {}


@pytest.mark.attack("mix-and-match")
def test_a_volume_that_lists_more_than_the_index_is_refused(site: Site, made: MadeSet, tmp_path: Path) -> None:
    """A file that the maker did not sign for may not ride along, however well the bag's own lists fit it."""
    made.payload[1]["blade/6.1.0/rider.bin"] = b"rider"
    with pytest.raises(RefusedError, match="are not those of any volume"):
        site.receive(write_volume(made, 1, tmp_path))
    assert site.bundles() == {}


def test_a_notice_that_differs_from_its_manifest_is_reported_and_does_not_count(site: Site, tmp_path: Path) -> None:
    withdrawn = (replace(BUNDLES[0], withdrawn="loses settings"), *BUNDLES[1:])
    manifest = manifest_text(withdrawn)
    right = write_notice(read_manifest(manifest, name="m", today=date(2026, 8, 20)).manifest)
    for sequence, notice in enumerate((right, right.replace(b"settings", b"nothing!"), b"{}"), 1):
        extra = {"notices/marram-1.json": ("notice", notice)}
        made = make_set((), manifest=manifest, extra=extra, sequence=sequence, manifest_sequence=1)
        came = site.receive(*write_set(made, tmp_path / str(sequence)))
        assert [w.reason for w in came.withdrawn] == (["loses settings"] if notice == right else [])
        assert ("bad-volume" in codes(came)) == (notice != right)


def test_an_altered_bundle_goes_to_quarantine_and_the_rest_is_added(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    path = media[1] / "data" / BUNDLES[1].path
    path.write_bytes(path.read_bytes()[:-1] + b"X")
    came = site.receive(*media)
    assert codes(came) == ["altered"]
    assert set(came.to_come) == {2}
    assert set(site.bundles()) == {BUNDLES[0].path, SPLIT.path}
    whole = write_volume(made, 2, tmp_path / "again")
    assert site.receive(whole).complete
    assert site.bundles() == every_bundle()


def test_an_altered_part_counts_for_nothing_until_a_whole_copy_comes(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    part = next((media[1] / "data").rglob("*.part-02of03"))
    data = part.read_bytes()
    part.write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    came = site.receive(*media)
    assert codes(came) == ["altered"]
    assert came.to_come == {2: (f"{SPLIT.path}.part-02of03",)}
    assert SPLIT.path not in site.bundles()
    assert site.receive(write_volume(made, 2, tmp_path / "again")).complete
    assert site.bundles() == every_bundle()


def test_of_two_copies_of_a_volume_the_whole_one_serves(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    other = write_volume(made, 2, tmp_path / "copy")
    for path in ((media[1] / "data").rglob("*.part-02of03"), (media[1] / "data").rglob("*blade*.bin")):
        for each in path:
            each.write_bytes(b"\0" * each.stat().st_size)
    came = site.receive(*media, other)
    assert came.complete
    assert site.bundles() == every_bundle()


def test_a_copy_that_broke_off_is_reported_with_both_sizes(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    os.truncate(media[0] / "data" / BUNDLES[0].path, 1000)
    os.unlink(media[1] / "data" / BUNDLES[1].path)
    came = site.receive(*media)
    reported = {f.code: f.message for f in came.findings if f.subject in (BUNDLES[0].path, BUNDLES[1].path)}
    assert "1000 bytes" in reported["truncated"] and str(len(BUNDLES[0].data)) in reported["truncated"]
    assert "not on volume 2" in reported["missing"]
    assert not (site.root / "quarantine").exists() or not list((site.root / "quarantine").iterdir())


def test_names_cut_to_eight_and_three_are_found_again_by_their_bytes(site: Site, made: MadeSet, tmp_path: Path) -> None:
    """Issue 6: "renamed by FAT 8.3 or case changes: reported precisely"."""
    media = write_set(made, tmp_path)
    for number, root in enumerate(media):
        short = tmp_path / f"short{number}" / "MARRAM~1"
        for at, path in enumerate(sorted(p for p in root.rglob("*") if p.is_file())):
            below = "DATA" if path.relative_to(root).parts[0] == "data" else ""
            name = "BAGIT.TXT" if path.name == "bagit.txt" else f"{path.name[:6].upper()}~{at}.BIN"
            target = short / below / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, target)
    came = site.receive(*(tmp_path / f"short{n}" for n in range(3)))
    assert came.complete
    assert site.bundles() == every_bundle()
    assert set(codes(came)) == {"misnamed"}
    reported = " ".join(f.message for f in came.findings)
    assert "set-index.json is here under the name SET-IN~" in reported
    assert f"{SPLIT.path}.part-01of03 is here under the name" in reported


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("", "missing"),
        ("manifest-sha512.txt", "missing"),
        ("TAGMAN~1.TXT", "missing"),
        ("MANIFEST-SHA256.TXT", "misnamed"),
        ("MANIFEST.TXT", "misnamed"),
        ("MANIFE~1.TXT", "misnamed"),
        ("MA1C0F~1.TXT", "misnamed"),
    ],
)
def test_a_list_that_is_gone_is_missing_and_one_of_a_mangled_name_is_misnamed(
    site: Site, made: MadeSet, tmp_path: Path, name: str, code: str
) -> None:
    """How FAT and ISO 9660 cut long names: VFAT's first six letters or two and a hash, and eight letters."""
    media = write_set(made, tmp_path)
    old = media[0] / "manifest-sha256.txt"
    if name:
        old.rename(old.with_name(name))
    else:
        old.unlink()
    came = site.receive(*media)
    assert came.complete, "the signed index names every file"
    assert [f.code for f in came.findings if "manifest-sha256.txt" in f"{f.subject} {f.message}"] == [code]


def test_case_that_was_lost_is_reported_and_does_no_harm(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    old = media[0] / "data" / BUNDLES[0].path
    old.rename(old.with_name(old.name.upper()))
    came = site.receive(*media)
    assert came.complete
    assert {"misnamed"} <= set(codes(came)) <= {"misnamed", "missing", "extra"}
    assert any(old.name.upper() in f.message for f in came.findings if f.code == "misnamed")


@pytest.mark.parametrize("harm", ["link", "fifo", "outside", "twins", "fetch", "deep", "huge", "nul"])
def test_a_hostile_volume_is_refused_and_harms_nothing(site: Site, made: MadeSet, tmp_path: Path, harm: str) -> None:
    """Bounds and strict readers for what comes on a medium."""
    root = write_volume(made, 1, tmp_path)
    (root / "tagmanifest-sha256.txt").unlink()
    target = root / "data" / BUNDLES[0].path
    if harm == "link":
        target.unlink()
        target.symlink_to("/etc/hostname")
    elif harm == "fifo":
        target.unlink()
        os.mkfifo(target)
    elif harm == "outside":
        with (root / "manifest-sha256.txt").open("a") as file:
            file.write(f"{'0' * 64}  data/../../../etc/passwd\n")
    elif harm == "twins":
        target.with_name(target.name.upper()).write_bytes(b"twin")
    elif harm == "fetch":
        (root / "fetch.txt").write_text("http://localhost/ 12 data/x\n")
    else:
        index = {"deep": b'{"files":[' + b"[" * 100_000, "huge": b'{"files":[' + b" " * 17_000_000, "nul": b"\0" * 99}
        (root / "set-index.json").write_bytes(index[harm])
        (root / "set-index.json.sig").write_bytes(signed(index[harm]))
    before = sorted(site.root.rglob("*"))
    with pytest.raises((RefusedError, InputError)):
        site.receive(root)
    assert sorted(site.root.rglob("*")) == before


def test_a_part_that_was_swept_is_asked_for_again(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    site.receive(media[0])
    for part in (site.root / ".keeper" / "incoming").iterdir():
        part.unlink()
    came = site.receive(media[1], media[2])
    assert not came.complete
    assert set(came.to_come) == {1}
    assert site.receive(media[0]).complete
    assert site.bundles() == every_bundle()


def test_a_part_that_was_damaged_on_the_disk_is_not_added(site: Site, made: MadeSet, tmp_path: Path) -> None:
    """The whole is verified again, whatever was recorded of the parts."""
    media = write_set(made, tmp_path)
    site.receive(media[0])
    (part,) = (site.root / ".keeper" / "incoming").iterdir()
    with part.open("r+b") as file:
        file.seek(100)
        file.write(b"rot")
    came = site.receive(media[1], media[2])
    assert not came.complete and SPLIT.path not in site.bundles()
    assert site.receive(*media).complete
    assert site.bundles() == every_bundle()


@pytest.mark.parametrize(("days", "reads"), [([(0, 1, 2)], 0), ([(0,), (1, 2)], 1), ([(1,), (0, 2)], 1)])
def test_the_whole_is_read_again_only_where_its_parts_came_on_several_days(
    site: Site,
    made: MadeSet,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    days: list[tuple[int, ...]],
    reads: int,
) -> None:
    """In one run it is hashed while its parts are written, one after the other: the bytes hashed are those written."""
    read = []

    def digest_fd(fd: int, **options: Any) -> Digest:
        read.append(fd)
        return whole_read(fd, **options)

    whole_read = door.digest_fd
    monkeypatch.setattr(set_source, "digest_fd", digest_fd)
    media = write_set(made, tmp_path)
    for day in days:
        came = site.receive(*(media[number] for number in day))
    assert came.complete
    assert site.bundles() == every_bundle()
    assert len(read) == reads


@pytest.mark.parametrize(
    ("days", "hashes"),
    [
        ([(0, 1, 2)], [0, 0, 0]),
        ([(0,), (1, 2)], [0, 1, 1]),
        ([(2, 1), (0,)], [1, 1, 0]),
    ],
)
def test_parts_that_follow_one_another_need_no_hash_of_their_own(
    site: Site,
    made: MadeSet,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    days: list[tuple[int, ...]],
    hashes: list[int],
) -> None:
    counted = _count_hashes(monkeypatch)
    media = write_set(made, tmp_path)
    for day in days:
        came = site.receive(*(media[number] for number in day))
    assert came.complete
    assert site.bundles() == every_bundle()
    assert counted == hashes


def _count_hashes(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many hashes of its own each part that is copied gets."""
    counted: list[int] = []

    def copy_fd(source: int, target: int, **options: Any) -> Digest:
        counted.append(len(options["algorithms"]))
        return copied(source, target, **options)

    copied = door.copy_fd
    monkeypatch.setattr(join_parts, "copy_fd", copy_fd)
    return counted


def test_an_index_that_is_wrong_of_the_file_so_far_costs_a_second_read_and_no_more(
    site: Site, made: MadeSet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The part's own digest stands, and so does that of the whole."""
    rows = [
        replace(f, parts=(f.parts[0], replace(f.parts[1], through="0" * 64), f.parts[2])) if f.split else f
        for f in made.index.files
    ]
    index = replace(made.index, files=tuple(rows))
    data = write_index(index)
    counted = _count_hashes(monkeypatch)
    wrong = replace(made, index=index, data=data, signature=signed(data))
    assert site.receive(*write_set(wrong, tmp_path)).complete
    assert site.bundles() == every_bundle()
    assert counted == [0, 0, 1, 0]


def test_bytes_after_the_end_of_a_joined_file_are_not_added(
    site: Site, made: MadeSet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """IMG.EXTRA (RFC 9124), bytes after the image: the parts are right, and so would be their running hash."""

    def digest(self: Joining, each: SetFile) -> Digest | None:
        with (site.root / ".keeper" / "incoming" / f".part-{each.sha256}").open("ab") as file:
            file.write(b"more")
        return known(self, each)

    known = Joining.digest
    media = write_set(made, tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(Joining, "digest", digest)
        came = site.receive(*media)
    assert not came.complete and SPLIT.path not in site.bundles()


def test_damaged_state_is_reported_and_not_reset(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    site.receive(media[0])
    record = next((site.root / ".keeper" / "sets").rglob("record.json"))
    record.write_bytes(record.read_bytes()[:-3])
    with pytest.raises(KeeperError, match="cannot be read"):
        site.receive(media[1])
    assert record.exists()


def test_what_came_is_known_to_the_sets(site: Site, made: MadeSet, tmp_path: Path) -> None:
    site.receive(*write_set(made, tmp_path))
    with Store.open(site.root, write=False) as store:
        (received,) = Sets(store).received()
        assert Sets(store).received_index(received) == (made.data, made.signature)
    assert received.completed is not None
    assert received.signed_by == "holm"


SIGNED = (*BUNDLES[:2], Bundle("rack", "6.1.0", SPLIT.data, (1, 2, 3), signer=3))
WANTS = 'store = 1\nsigned_families = ["rack"]\n'


@pytest.mark.parametrize("signer", [3, 4])
def test_a_split_bundle_and_its_signature_that_came_on_another_day(site: Site, tmp_path: Path, signer: int) -> None:
    """A signature lies on one volume; it is kept until the bundle's last part is in, and judged as `store add`
    judges."""
    (site.root / "store.toml").write_text(WANTS)
    with Store.open(site.root, write=True) as store:
        site.trust(store, "maker", 3, "bundles")
    bundles = (*SIGNED[:2], replace(SIGNED[2], signer=signer))
    media = write_set(make_set(bundles), tmp_path)
    for root in media[:2]:
        site.receive(root)
    shutil.rmtree(media[0])
    came = site.receive(media[2])
    if signer == 3:
        assert came.complete, [f.message for f in came.findings]
        assert site.tree()[f"{SPLIT.path}.sig"] == SIGNED[2].signature
        assert next(row.signature for row in came.rows if row.family == "rack") == "good"
    else:
        assert not came.complete
        assert SPLIT.path not in site.bundles()
        assert {"bad-signature", "unknown-key"} & set(codes(came))


def test_a_store_that_requires_signed_manifests_uses_the_set_s_signature(site: Site, tmp_path: Path) -> None:
    (site.root / "store.toml").write_text("store = 1\nsigned_manifests = true\n")
    with Store.open(site.root, write=True) as store:
        site.trust(store, "writer", 5, "manifests")
    manifest = manifest_text(BUNDLES)
    with pytest.raises(RefusedError):
        site.receive(*write_set(make_set(BUNDLES), tmp_path / "bare"))
    assert not (site.root / ".keeper" / "sets" / "received").exists(), "a refused manifest leaves no trace"
    assert not list((site.root / ".keeper").glob("incoming/*")), "and nothing is joined for it"
    extra = {"manifests/marram-1.toml.sig": ("manifest-signature", signed(manifest, 5, "manifests"))}
    came = site.receive(*write_set(make_set(BUNDLES, extra=extra), tmp_path / "signed"))
    assert came.complete and came.manifest.good
    assert site.tree()["manifests/marram-1.toml.sig"] == signed(manifest, 5, "manifests")


def test_a_manifest_larger_than_a_signature_may_be_is_read(site: Site, tmp_path: Path) -> None:
    manifest = manifest_text(BUNDLES) + b"# " + b"x" * (2 << 20) + b"\n"
    came = site.receive(*write_set(make_set(BUNDLES, manifest=manifest), tmp_path))
    assert came.complete


def test_many_renamed_files_of_one_size_are_read_once_each(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Parts of equal size under lost names: reading each for each part would take the square of their number."""
    many = Bundle("rack", "6.1.0", os.urandom(80_000), tuple([1] * 20))
    made = make_set((*BUNDLES[:2], many))
    media = write_set(made, tmp_path)
    for number, part in enumerate(sorted((media[0] / "data").rglob("*.part-*"))):
        part.rename(part.with_name(f"R{19 - number:02d}.BIN"))
    reads = 0
    real = WalkEntry.open

    def counted(self: WalkEntry) -> int:
        nonlocal reads
        reads += self.path.startswith("data/rack")
        return real(self)

    monkeypatch.setattr(WalkEntry, "open", counted)
    came = site.receive(*media)
    assert came.complete
    assert reads <= 2 * 20


def test_a_folder_on_the_medium_that_cannot_be_listed_is_passed_over(
    site: Site, made: MadeSet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    media = write_set(made, tmp_path)
    closed = media[0].parent / "System"
    closed.mkdir()
    real = os.listdir

    def listdir(path: int | Path) -> list[str]:
        if path == closed:
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr("bundlekeeper.media.receiving.find_volumes.os.listdir", listdir)
    assert len(site.receive(*(m.parent for m in media)).volumes) == 3


def test_a_set_by_an_older_manifest_is_refused_before_anything_is_joined(site: Site, tmp_path: Path) -> None:
    site.receive(*write_set(make_set((), manifest=manifest_text(BUNDLES, 9), sequence=1), tmp_path / "new"))
    older = make_set(BUNDLES, manifest=manifest_text(BUNDLES, 8), sequence=2)
    media = write_set(older, tmp_path / "old")
    with pytest.raises(RefusedError, match="older"):
        site.receive(media[0])
    assert not list((site.root / ".keeper" / "incoming").iterdir())
    assert len(list((site.root / ".keeper" / "sets" / "received").glob("*/*"))) == 1
    assert site.receive(*media, allow_rollback="the newer one was withdrawn").complete
