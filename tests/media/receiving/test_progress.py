"""What a receive says of a set is what the store holds and what was read here, on this day and on every later one."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from bundlekeeper.errors import RefusedError
from bundlekeeper.media.receiving.receive import Reception
from bundlekeeper.media.set.records import IN_STORE_BEFORE, VERIFIED_HERE
from bundlekeeper.model.media.index import write_index
from bundlekeeper.store.contents.store import Store
from tests.conftest import Keeper
from tests.kits.media_kit import Bundle, MadeSet, Site, make_set, manifest_text, now, signed, write_set, write_volume
from tests.kits.received_sets import BUNDLES, SPLIT, codes, every_bundle

BLADE = BUNDLES[1]


@pytest.fixture
def site(tmp_path: Path) -> Site:
    """The receiving store."""
    return Site(tmp_path / "skerry")


@pytest.fixture
def made() -> MadeSet:
    """A set of three volumes with a split file."""
    return make_set(BUNDLES)


def volumes(came: Reception) -> dict[int, tuple[int, int, int]]:
    """Of each volume that was here: verified, in already and not read, all."""
    return {row.number: (row.verified, row.stored, row.files) for row in came.volumes}


def flip(path: Path) -> None:
    """Change one byte, not the size."""
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))


@pytest.mark.parametrize("harm", ["altered", "removed"])
def test_a_bundle_that_the_store_lost_has_not_arrived(site: Site, made: MadeSet, tmp_path: Path, harm: str) -> None:
    """Whatever was recorded when it came: the set is not complete, and its volume is asked for again."""
    media = write_set(made, tmp_path)
    assert site.receive(*media).complete
    bundle = site.root / BLADE.path
    bundle.parent.chmod(0o755)
    if harm == "altered":
        flip(bundle)
    else:
        bundle.unlink()
    came = site.receive(media[2])
    assert not came.complete
    assert came.to_come == {2: (BLADE.path,)}
    assert came.received.completed is None
    assert 2 not in came.received.volumes
    again = site.receive(media[1])
    assert again.complete
    assert site.bundles() == every_bundle()


def test_what_was_lost_and_added_again_has_the_level_and_date_of_that(site: Site, tmp_path: Path) -> None:
    older = make_set([BLADE], sequence=1, manifest=manifest_text(BUNDLES, 1))
    newer = make_set([BLADE], sequence=2, manifest=manifest_text(BUNDLES, 2))
    site.receive(*write_set(older, tmp_path / "older"))
    later, latest = (now() + timedelta(days=days) for days in (30, 60))
    media = write_set(newer, tmp_path / "newer")
    came = site.receive(*media, clock=lambda: later)
    assert came.received.arrived[BLADE.path].how == IN_STORE_BEFORE
    (site.root / BLADE.path).unlink()
    came = site.receive(*media, clock=lambda: latest)
    entry = came.received.arrived[BLADE.path]
    assert (entry.how, entry.at) == (VERIFIED_HERE, latest)


def test_a_set_goes_on_that_only_withdrawals_overtook(site: Site, tmp_path: Path) -> None:
    """What was withdrawn stays so, and the reason is recorded; a newer set of bundles overtakes it for good."""
    rows = (replace(BLADE, withdrawn="loses settings"), BUNDLES[0], SPLIT)
    media = write_set(make_set(BUNDLES, sequence=4), tmp_path / "old")
    site.receive(media[0])
    notice = make_set((), sequence=5, manifest=manifest_text(rows, 5), volumes=1)
    site.receive(*write_set(notice, tmp_path / "notice"))
    came = site.receive(media[1], media[2])
    assert came.complete
    assert came.received.rollback == ""
    assert ("withdrawn", BLADE.path.rpartition("/")[2]) in {(f.code, f.subject) for f in came.findings}
    with Store.open(site.root, write=False) as store, store.database(write=False) as database:
        assert {row.lifecycle for row in database.stored() if row.place == BLADE.path} == {"withdrawn"}
        assert any("began before the withdrawals" in reason for _, _, _, reason in database.exceptions())
    fresh = write_set(make_set([BUNDLES[0]], sequence=3, manifest=manifest_text(BUNDLES, 3)), tmp_path / "fresh")
    with pytest.raises(RefusedError, match="older"):
        site.receive(*fresh)


def test_a_split_bundle_that_the_store_lost_is_asked_for_part_by_part(
    site: Site, made: MadeSet, tmp_path: Path
) -> None:
    media = write_set(made, tmp_path)
    assert site.receive(*media).complete
    (site.root / SPLIT.path).unlink()
    came = site.receive(media[0])
    assert set(came.to_come) == {2, 3}
    assert site.receive(media[1], media[2]).complete
    assert site.bundles() == every_bundle()


def test_a_volume_is_called_verified_by_what_was_read_from_it(site: Site, made: MadeSet, tmp_path: Path) -> None:
    """A damaged copy of what is held already is not read, and not called verified."""
    media = write_set(made, tmp_path)
    first = site.receive(*media)
    assert volumes(first) == {1: (3, 0, 3), 2: (3, 0, 3), 3: (2, 0, 2)}
    flip(next((media[1] / "data").rglob("*blade*.bin")))
    again = site.receive(media[1])
    assert volumes(again) == {2: (1, 2, 3)}
    assert again.complete


@pytest.mark.parametrize("bad", ["whole", "part", "manifest"])
@pytest.mark.parametrize("first", [True, False])
def test_the_bad_one_of_two_copies_is_reported(
    site: Site, made: MadeSet, tmp_path: Path, bad: str, first: bool
) -> None:
    media = write_set(made, tmp_path)
    other = write_volume(made, 2, tmp_path / "copy")
    path = {"whole": BLADE.path, "part": f"{SPLIT.path}.part-02of03", "manifest": "manifests/marram-1.toml"}[bad]
    flip((media[1] if first else other) / "data" / path)
    came = site.receive(*media, other)
    assert came.complete
    assert site.bundles() == every_bundle()
    if first or bad == "manifest":  # of large files the second copy is not read where the first is good
        assert codes(came) == ["altered"]
    good = {row.root: row.verified == row.files for row in came.volumes if row.number == 2}
    assert not good[str(media[1] if first else other)]


def test_what_was_in_the_store_before_is_marked_so_and_no_volume_that_never_came_is(
    site: Site, made: MadeSet, tmp_path: Path
) -> None:
    later = now() + timedelta(days=30)
    older = make_set([BLADE], sequence=1, manifest=manifest_text(BUNDLES, 1))
    newer = make_set(
        [Bundle("infrastructure", "6.1.0", BUNDLES[0].data, (1,)), Bundle("blade", "6.1.0", BLADE.data, (2,))],
        sequence=2,
        manifest=manifest_text(BUNDLES, 2),
    )
    site.receive(*write_set(older, tmp_path / "older"))
    came = site.receive(write_set(newer, tmp_path / "newer")[0], clock=lambda: later)
    assert came.complete
    how = {path: (a.how, a.at) for path, a in came.received.arrived.items()}
    assert how[BLADE.path][0] == IN_STORE_BEFORE
    assert how[BLADE.path][1] < came.received.began
    assert how[BUNDLES[0].path] == (VERIFIED_HERE, later)
    assert set(came.received.volumes) == {1}


def test_after_a_whole_that_is_not_right_every_part_is_still_to_come(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    site.receive(media[0])
    (part,) = (site.root / ".keeper" / "incoming").iterdir()
    with part.open("r+b") as file:
        file.write(b"rot")
    came = site.receive(media[1], media[2])
    assert came.to_come == {n: (f"{SPLIT.path}.part-{n:02d}of03",) for n in (1, 2, 3)}
    assert not set(came.received.volumes) & {1, 2, 3}
    assert site.receive(*media).complete


def test_a_withdrawal_of_a_stored_bundle_is_a_finding_whatever_the_set_carries(site: Site, tmp_path: Path) -> None:
    """As `store add` of the same manifest has it."""
    site.receive(*write_set(make_set(BUNDLES, sequence=1), tmp_path / "one"))
    rows = (replace(BLADE, withdrawn="loses settings"), BUNDLES[0], SPLIT)
    made = make_set([BUNDLES[0]], sequence=2, manifest=manifest_text(rows, 2))
    came = site.receive(*write_set(made, tmp_path / "two"))
    assert [(f.code, f.subject) for f in came.findings if f.level != "note"] == [
        ("withdrawn", BLADE.path.rpartition("/")[2])
    ]


# What lies beside


def test_an_index_that_is_none_hides_no_other_volume(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    for name in ("tagmanifest-sha256.txt", "SHA256SUMS"):
        (media[1] / name).unlink(missing_ok=True)
    (media[1] / "set-index.json").write_bytes(b"{}\n")
    came = site.receive(*media)
    assert came.refused
    assert "bad-volume" in codes(came)
    assert set(came.to_come) == {2}
    assert BUNDLES[0].path in site.bundles()
    with pytest.raises(RefusedError, match="no volume here") as caught:
        site.receive(media[1])
    assert "no index of a media set" in " ".join(f.message for f in caught.value.problems)


def test_somebody_s_own_note_is_no_volume(site: Site, made: MadeSet, tmp_path: Path) -> None:
    """A file called unfinished.txt at the top of a stick hides none of its volumes; a volume just begun is reported."""
    medium = tmp_path / "stick"
    medium.mkdir()
    for number in (1, 2, 3):
        write_volume(made, number, medium)
    (medium / "unfinished.txt").write_text("buy milk")
    assert site.receive(medium).complete
    begun = tmp_path / "other" / made.index.folder(1)
    begun.mkdir(parents=True)
    (begun / "UNFINISHED.txt").write_text("set")
    for folder in (begun, begun.parent):
        with pytest.raises(RefusedError) as caught:
            site.receive(folder)
        assert "was not finished" in caught.value.problems[0].message


@pytest.mark.parametrize("name", ["DATA", "Data"])
def test_the_payload_s_folder_under_another_case_is_reported_and_does_no_harm(
    site: Site, made: MadeSet, tmp_path: Path, name: str
) -> None:
    media = write_set(made, tmp_path)
    for root in media:
        (root / "data").rename(root / name)
    came = site.receive(*media)
    assert came.complete
    assert site.bundles() == every_bundle()
    assert f"the folder data is here under the name {name}" in {f.message for f in came.findings}


def test_texts_that_cannot_be_verified_are_reported(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    (media[0] / "tagmanifest-sha256.txt").unlink()
    (media[0] / "READ-ME-FIRST.txt").write_text("ring 555 0100 and read out your password")
    (media[1] / "evil.sh").write_text("#!/bin/sh\n")
    came = site.receive(*media)
    assert came.complete
    reported = {(f.code, f.subject.partition("/")[2]) for f in came.findings if f.level != "note"}
    assert reported == {
        ("bad-volume", "tagmanifest-sha256.txt"),
        ("altered", "READ-ME-FIRST.txt"),
        ("extra", "evil.sh"),
    }


def test_a_renamed_file_is_reported_once(site: Site, made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    for root, pattern in ((media[1], "*blade*.bin"), (media[2], "*.part-03of03")):
        each = next((root / "data").rglob(pattern))
        each.rename(each.with_name("RENAMED.BIN"))
    came = site.receive(*media)
    assert came.complete
    assert codes(came) == ["misnamed", "misnamed"]
    assert all(row.verified == row.files for row in came.volumes)


# Who signed, and when


def test_another_signer_of_the_same_issuer_is_reported(site: Site, tmp_path: Path) -> None:
    with Store.open(site.root, write=True) as store:
        site.trust(store, "other", 1, "indexes")
    site.receive(*write_set(make_set(BUNDLES, sequence=1), tmp_path / "one"))
    second = make_set(BUNDLES, sequence=2, key=1)
    came = site.receive(*write_set(second, tmp_path / "two"))
    assert codes(came) == ["not-checked"]
    assert "signed by other; the maker's set before it, number 1, by holm" in {f.message for f in came.findings}
    third = make_set(BUNDLES, sequence=3, key=1)
    assert codes(site.receive(*write_set(third, tmp_path / "three"))) == []
    fourth = make_set(BUNDLES, sequence=4)  # two people sign there in turn: reported once for each
    assert codes(site.receive(*write_set(fourth, tmp_path / "four"))) == []
    again = site.receive(tmp_path / "four" / "stick1")
    assert codes(again) == []


def test_a_set_from_the_future_is_reported(site: Site, made: MadeSet, tmp_path: Path) -> None:
    index = replace(made.index, made=now() + timedelta(days=400))
    data = write_index(index)
    came = site.receive(*write_set(replace(made, index=index, data=data, signature=signed(data)), tmp_path))
    assert (came.complete, codes(came)) == (True, ["clock-doubtful"])


def test_an_error_is_of_its_own_command_in_json(keeper: Keeper, tmp_path: Path) -> None:
    for words, schema in (
        (("media", "receive", tmp_path / "gone"), "bundlekeeper.media-receive/1"),
        (("manifest", "lint", tmp_path / "gone.toml"), "bundlekeeper.manifest-lint/1"),
        (
            (
                "store",
                "list",
            ),
            "bundlekeeper.store-list/1",
        ),
        (("media", "--json"), "bundlekeeper.media/1"),
        (("nothing",), "bundlekeeper.error/1"),
    ):
        assert keeper(*words, "--json").json["schema"] == schema, words
