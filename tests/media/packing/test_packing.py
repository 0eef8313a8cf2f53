"""Volumes and packing: predictions against file systems that are really made, packings against every packing there is.

The mkfs programs are the oracle for usable bytes: their own superblocks say how many clusters are free. FAT32: BPB,
'FAT32 File System Specification' 1.03 §3; exFAT: boot sector, 'exFAT file system specification' §3; ext4: dumpe2fs(8).
"""

from __future__ import annotations

import os
import random
import shutil
import struct
import subprocess
from collections.abc import Iterator
from functools import cache
from itertools import combinations_with_replacement
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.media.packing.pack import EXACT_ITEMS, pack
from bundlekeeper.media.packing.types import Box, Cost, NotPacked, Packed, PackedPiece, PackingItem, VolumeLoad
from bundlekeeper.model.media.capacity import (
    ANY_FILE,
    DISCS,
    FAT_FILE,
    SECTOR,
    VolumeKind,
    parse_supplies,
    parse_supply,
)
from tests.kits.mounts import mounted

SBIN = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/sbin"])
SIZES = (35_000_000, 120_000_000, 290_000_000, 1_000_000_000, 7_800_000_000, 16_000_000_000, 64_000_000_000)


def _program(name: str) -> str:
    found = shutil.which(name, path=SBIN)
    if found is None:
        pytest.skip(f"{name} is not installed here")
    return found


def _made(path: Path, size: int, *command: str) -> bytes:
    with path.open("wb") as file:
        file.truncate(size)
    done = subprocess.run([_program(command[0]), *command[1:], str(path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    with path.open("rb") as file:
        return file.read(512)


def _fat32(path: Path, size: int) -> tuple[int, int]:
    sector = _made(path, size, "mkfs.fat", "-F", "32")
    bytes_, per, reserved, tables = struct.unpack_from("<HBHB", sector, 11)
    total, table = struct.unpack_from("<I", sector, 32)[0], struct.unpack_from("<I", sector, 36)[0]
    clusters = (total - reserved - tables * table) // per
    return bytes_ * per, (clusters - 1) * bytes_ * per  # the root folder has a cluster


def _exfat(path: Path, size: int) -> tuple[int, int]:
    sector = _made(path, size, "mkfs.exfat")
    clusters = struct.unpack_from("<I", sector, 92)[0]
    cluster = 1 << (sector[108] + sector[109])
    # bitmap, up-case table, root folder
    taken = -(-((clusters + 7) // 8) // cluster) + -(-5836 // cluster) + 1
    return cluster, (clusters - taken) * cluster


def _ext4(path: Path, size: int) -> tuple[int, int]:
    _made(path, size, "mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=1,lazy_journal_init=1")
    dumpe2fs = _program("dumpe2fs")
    text = subprocess.run([dumpe2fs, "-h", str(path)], capture_output=True, text=True, check=True).stdout
    facts = dict(row.split(":", 1) for row in text.splitlines() if ":" in row)
    block = int(facts["Block size"])
    return block, (int(facts["Free blocks"]) - int(facts["Reserved block count"])) * block


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(("system", "make"), [("fat32", _fat32), ("exfat", _exfat), ("ext4", _ext4)])
def test_no_more_is_promised_than_a_formatted_medium_has(tmp_path: Path, size: int, system: str, make: object) -> None:
    """ "a disc whose usable bytes are fewer than its label": never more than mkfs leaves, nor far less."""
    kind = parse_supply(f"{size}:{system}").kind
    assert callable(make)
    cluster, free = make(tmp_path / "image", size)
    assert free * 0.87 <= kind.usable <= free
    assert cluster <= kind.unit
    strictest = parse_supply(str(size)).kind
    assert strictest.usable <= kind.usable
    assert strictest.unit >= kind.unit


def _fill(folder: Path, kind: VolumeKind, rnd: random.Random) -> int:
    """Write files, each in a folder of its own, until the prediction says that nothing more has space; their number."""
    left, number = kind.usable, 0
    while (most := kind.fits(left)) > 0:
        size = min(most, rnd.choice([1, 700, 5000, 100_000, 2_000_000]) * rnd.randint(1, 3))
        if number == 400:
            size = most
        home = folder / f"data/blade/6.{number}.0-a-version-with-a-long-name"
        home.mkdir(parents=True)
        (home / f"marram-blade-6.{number}.0-published-under-a-long-name.bin").write_bytes(b"\xa5" * size)
        left -= kind.cost(size)
        number += 1
    return number


@pytest.mark.root
@pytest.mark.slow
@pytest.mark.parametrize(
    ("mount", "system", "size_mb"),
    [("ext4", "ext4", 64), ("exfat-fuse", "exfat", 64), ("fat-fuse", "fat32", 64), ("tmpfs", "folder", 48)],
)
def test_what_is_predicted_to_fit_fits(tmp_path: Path, mount: str, system: str, size_mb: int) -> None:
    """ "on real file systems": files in folders of their own, with long names, to the last byte that is promised"""
    kind = parse_supply(f"{size_mb}MiB:{system}").kind
    with mounted(mount, tmp_path, size_mb) as folder:
        number = _fill(folder, kind, random.Random(size_mb))
        assert number > 10
        assert sum(1 for path in folder.rglob("*.bin")) == number


def test_the_figures_of_discs_are_those_published_and_whole_sectors() -> None:
    """DVD+R 4,700,372,992 is less than DVD-R 4,707,319,808: the smaller of the published figures counts."""
    assert DISCS["dvd"] == 2_295_104 * SECTOR
    assert DISCS["dvd-dl"] == 8_543_666_176
    assert (DISCS["bd-25"], DISCS["bd-50"]) == (24_220_008_448, 48_440_016_896)
    assert all(size % SECTOR == 0 for size in DISCS.values())
    assert parse_supply("dvd").kind.usable < DISCS["dvd"]
    assert parse_supply("bd-25").kind.largest_file == FAT_FILE == 4_294_967_295
    assert parse_supply("bd-25:udf").kind.largest_file == ANY_FILE


@pytest.mark.parametrize(
    ("text", "size", "count", "label"),
    [
        ("16GB:fat32", 16_000_000_000, None, "16GB:fat32"),
        ("2x16gib:exfat", 16 * 2**30, 2, "16GiB:exfat"),
        ("1.5GB:ext4", 1_500_000_000, None, "1500MB:ext4"),
        ("30_000_000_001", 30_000_000_001, None, "30000000001"),
        ("1,500,000kB:folder", 1_500_000_000, None, "1500MB:folder"),
        ("3xBD-50", 48_440_016_896, 3, "bd-50"),
    ],
)
def test_volumes_are_read(text: str, size: int, count: int | None, label: str) -> None:
    """GB is 10^9 and GiB 2^30 (IEC 80000-13)."""
    supply = parse_supply(text)
    assert (supply.kind.medium, supply.count, supply.kind.label) == (size, count, label)


def test_every_wrong_volume_is_reported_at_once_with_what_is_meant() -> None:
    with pytest.raises(InputError) as caught:
        parse_supplies(
            ["16GB:fatt32", "bd-52", "exfat", "10MB:fat32", "0x1GB", "dvd:ext4", "9TB:fat32", "x:y:z", "9" * 5000]
        )
    for word in ("fat32", "bd-50", "size is missing", "at least", "1 to", "iso or udf", "2 TiB", "no file system"):
        assert word in caught.value.whole


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        *[
            ("1,5GB", "did you mean 1.5GB?"),
            ("1,5gib:fat32", "did you mean 1.5GiB?"),
            ("0,75TB", "did you mean 0.75TB?"),
        ],
        *[("16,00GB", "did you mean 16.00GB?"), ("1,2,3GB", "thousands"), ("1000,000kB", "did you mean 1000.000kB?")],
        *[("1,5.5GB", "thousands"), ("1,GB", "thousands"), ("1_0,000kB", "thousands")],
    ],
)
def test_a_comma_that_parts_no_thousands_is_no_point(text: str, meant: str) -> None:
    """Else 1,5GB, as half of Europe writes it, would count as fifteen."""
    with pytest.raises(InputError) as caught:
        parse_supplies([text])
    assert "a comma separates thousands" in caught.value.message
    assert meant in caught.value.message


def test_the_same_kind_named_again_adds_up() -> None:
    assert [s.count for s in parse_supplies(["2x16GB:fat32", "dvd", "3x16GB:fat32", "4xdvd"])] == [5, None]


@given(st.integers(0, 10**10), st.sampled_from(["64GB:exfat", "16GB:fat32", "dvd", "1GB:ext4", "100MB:folder", "8GB"]))
def test_what_fits_costs_no_more_than_the_room(space: int, text: str) -> None:
    """ "Planning ... never promises": the largest file for a space costs at most the space, one byte more costs
    more."""
    kind = parse_supply(text).kind
    most = kind.fits(space)
    if most >= 0:
        assert kind.cost(most) <= space
    if 0 <= most < kind.largest_file:
        assert kind.cost(most + 1) > space


# Every packing there is


def _amounts(total: int, bins: int) -> Iterator[tuple[int, ...]]:
    if bins == 1:
        yield (total,)
        return
    for first in range(total + 1):
        for rest in _amounts(total - first, bins - 1):
            yield (first, *rest)


class Brute:
    """Tries every place of every item and every byte of every split one."""

    def __init__(self, items: list[PackingItem], boxes: list[Box]) -> None:
        self.items, self.boxes, self.load = items, boxes, VolumeLoad(items, boxes)

    def best(self, most: int) -> Cost | None:
        for number in range(1, most + 1):
            values = [
                value
                for bins in combinations_with_replacement(range(len(self.boxes)), number)
                if all(box.count is None or bins.count(b) <= box.count for b, box in enumerate(self.boxes))
                if (value := self._in(bins)) is not None
            ]
            if values:
                return Cost(number, *min(values))
        return None

    def _in(self, bins: tuple[int, ...]) -> tuple[int, int] | None:
        load = self.load

        @cache
        def go(i: int, space: tuple[int, ...], present: tuple[int, ...]) -> tuple[int, int] | None:
            if i == len(self.items):
                return 0, sum(h.bit_count() for h in present)
            found: list[tuple[int, int]] = []
            for split, taken in ways(i):
                left = tuple(r - t for r, t in zip(space, taken, strict=True))
                if min(left) < 0:
                    continue
                bit = 1 << load.family[i]
                rest = go(i + 1, left, tuple(h | bit if t else h for h, t in zip(present, taken, strict=True)))
                if rest is not None:
                    found.append((rest[0] + split, rest[1]))
            return min(found, default=None)

        @cache
        def ways(i: int) -> tuple[tuple[int, tuple[int, ...]], ...]:
            rows = []
            for n, b in enumerate(bins):
                weight = load.weight[i][b]
                if weight is not None:
                    rows.append((0, tuple(weight if m == n else 0 for m in range(len(bins)))))
            if load.splittable[i]:
                for amounts in _amounts(self.items[i].size, len(bins)):
                    parts = sum(-(-a // self.boxes[b].kind.largest_file) for a, b in zip(amounts, bins, strict=True))
                    taken = [load.needed(b, a) if a else 0 for a, b in zip(amounts, bins, strict=True)]
                    if parts < 2:
                        continue
                    for lead in (n for n, a in enumerate(amounts) if a):
                        beside = load.beside[i][bins[lead]]
                        rows.append((1, tuple(t + beside if n == lead else t for n, t in enumerate(taken))))
            return tuple(dict.fromkeys(rows))

        return go(0, tuple(self.boxes[b].space for b in bins), (0,) * len(bins))


def _case(seed: int) -> tuple[list[PackingItem], list[Box]]:
    rnd = random.Random(seed)
    boxes = []
    for b in range(rnd.choice([1, 1, 2, 2, 3])):
        space = rnd.randint(4, 12)
        largest = rnd.choice([10**6, 10**6, rnd.randint(2, space)])
        kind = VolumeKind(f"k{b}", "x", space + b, space, rnd.choice([1, 1, 2]), rnd.choice([1, 1, 2]), largest, "")
        boxes.append(Box(kind, space, rnd.choice([None, None, 1, 2, 3])))
    items = [
        PackingItem(
            f"i{i}", rnd.choice("abc"), rnd.randint(1, 10 if rnd.random() < 0.2 else 5), (1,) * rnd.choice([0, 0, 1])
        )
        for i in range(rnd.randint(1, 5))
    ]
    return items, boxes


def holds_together(items: list[PackingItem], boxes: list[Box], packed: Packed) -> None:
    """Everything is somewhere once, nothing overflows, only what may be split is split, no box is used too often."""
    load = VolumeLoad(items, boxes)
    used = [0] * len(packed.bins)
    for piece in packed.pieces:
        box = packed.bins[piece.bin]
        used[piece.bin] += load.needed(box, piece.size) if piece.size else boxes[box].kind.cost(0)
        used[piece.bin] += load.beside[piece.item][box] if piece.leads else 0
    assert all(u <= boxes[b].space for u, b in zip(used, packed.bins, strict=True))
    for number, item in enumerate(items):
        pieces = [p for p in packed.pieces if p.item == number]
        assert sum(p.size for p in pieces) == item.size
        assert sum(p.leads for p in pieces) == 1
        assert len(pieces) == 1 or load.splittable[number]
    assert all(box.count is None or packed.bins.count(b) <= box.count for b, box in enumerate(boxes))
    assert {p.bin for p in packed.pieces} == set(range(len(packed.bins)))
    assert packed.least <= packed.cost == load.cost(packed.bins, packed.pieces)


@pytest.mark.parametrize("block", range(8))
def test_no_packing_is_better_and_none_is_missed(block: int) -> None:
    """ "fewest volumes first, then fewest split files, then families together (exact for sets of ordinary size,
    otherwise a bound is printed with the answer)" (issue 6): 640 cases against every packing on up to three volumes"""
    exact = 0
    for seed in range(block * 80, block * 80 + 80):
        items, boxes = _case(seed)
        packed, best = pack(items, boxes), Brute(items, boxes).best(3)
        if isinstance(packed, NotPacked):
            assert best is None or not packed.certain, seed
            continue
        holds_together(items, boxes, packed)
        if best is None:
            assert len(packed.bins) > 3, seed
        elif packed.exact:
            assert packed.cost == best, seed
            exact += 1
        else:
            assert packed.least <= best <= packed.cost, seed
    assert exact >= 40


def _real(seed: int, number: int, most: float, *volumes: str) -> tuple[list[PackingItem], list[Box]]:
    rnd = random.Random(seed)
    boxes = [Box(s.kind, s.kind.usable - 2_000_000, s.count) for s in parse_supplies(volumes)]
    names = ("infrastructure", "blade", "rack")
    return [PackingItem(f"i{i}", rnd.choice(names), int(rnd.uniform(3e8, most)), (800,)) for i in range(number)], boxes


@pytest.mark.parametrize("volume", ["16GB:fat32", "dvd", "bd-25"])
@pytest.mark.parametrize("number", [3, 8, 12, 16])
def test_sets_of_ordinary_size_are_packed_exactly(number: int, volume: str) -> None:
    """ "exact for sets of ordinary size": up to sixteen bundles of 0.3 to 3 GB on each usual kind of volume"""
    for seed in range(4):
        items, boxes = _real(seed, number, 3e9, volume)
        packed = pack(items, boxes)
        assert isinstance(packed, Packed)
        holds_together(items, boxes, packed)
        assert packed.exact


def test_a_large_set_carries_a_bound_close_to_its_answer() -> None:
    """ "otherwise a bound is printed with the answer": 2,000 files over 100 volumes"""
    items, boxes = _real(1, 2000, 1.3e9, "16GB:fat32", "8GB:fat32")
    packed = pack(items, boxes)
    assert isinstance(packed, Packed)
    assert len(items) > EXACT_ITEMS
    holds_together(items, boxes, packed)
    assert packed.least.volumes <= packed.cost.volumes <= packed.least.volumes * 1.02
    assert packed == pack(items, boxes)


@pytest.mark.fault(56)
def test_a_file_over_the_limit_goes_whole_onto_the_volume_where_it_fits() -> None:
    """ "a file over the file system's limit is split" (issue 6), and only where it must be"""
    items, boxes = _real(1, 4, 1e9, "16GB:fat32", "1x64GB:exfat")
    items.append(PackingItem("large", "rack", FAT_FILE + 1, (800,)))
    packed = pack(items, boxes)
    assert isinstance(packed, Packed)
    assert packed.cost.splits == 0
    assert [boxes[b].kind.label for b in packed.bins] == ["64GB:exfat"]
    alone = pack(items, boxes[:1])
    assert isinstance(alone, Packed)
    assert (alone.cost.volumes, alone.cost.splits, alone.exact) == (1, 1, True)
    assert pack([PackingItem("edge", "rack", FAT_FILE)], boxes[:1]) == Packed(
        (0,), (PackedPiece(0, 0, FAT_FILE),), Cost(1, 0, 1), Cost(1, 0, 1)
    )


def test_of_several_kinds_the_smallest_volumes_that_are_enough_are_used() -> None:
    items = [PackingItem("a", "blade", 10**9)]
    packed = pack(items, [Box(k.kind, k.kind.usable, k.count) for k in parse_supplies(["64GB:exfat", "2GB:fat32"])])
    assert isinstance(packed, Packed)
    assert packed.bins == (1,)


def test_what_cannot_be_packed_is_reported_with_the_bytes_that_are_lacking() -> None:
    items, boxes = _real(1, 10, 3e9, "1xdvd")
    short = pack(items, boxes)
    assert isinstance(short, NotPacked)
    assert short.certain
    assert short.short >= sum(i.size for i in items) - boxes[0].space
    assert pack([], boxes) == Packed((), (), Cost(0, 0, 0), Cost(0, 0, 0))
