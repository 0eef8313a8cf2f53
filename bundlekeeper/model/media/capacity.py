"""What a volume really holds: kinds of media, their usable bytes, and what a file costs on each file system.

Rules: bytes are integers; of several published or usual figures the smaller is used, so that no prediction promises
more than a formatted medium has (tests make file systems and compare); GB is 10^9 and GiB 2^30 (IEC 80000-13); a size
without a file system is counted for the strictest one; `folder` is free bytes on a disk with blocks of 4 KiB.
Sources: discs: the usable sectors of the DVD and BD formats, of plus and dash the smaller, BD-R with its default spare
areas. FAT32: 'FAT32 File System Specification' 1.03 (two tables of 4 bytes for each cluster, 65,525 clusters at least,
a file of 2^32 - 1 bytes at most). exFAT: 'exFAT file system specification' (4 bytes and one bit for each cluster).
ext4: mke2fs(8) and mke2fs.conf(5) (inodes, journal, five in a hundred for root). ISO 9660 levels 1 and 2: 4 GiB - 1
for a file. UDF: ECMA-167 (structures from sector 256, a file entry of one sector). Cluster sizes by size of the
medium, alignment of cards: common practice, from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum

from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import human_bytes, visible

SECTOR = 2048  # bytes of a disc's sector (ECMA-119 §6.1.2)
_KIB, _MIB, _GIB = 1 << 10, 1 << 20, 1 << 30
_GB = 1_000_000_000

FAT_FILE = (1 << 32) - 1  # bytes; also ISO 9660 levels 1 and 2
ANY_FILE = (1 << 63) - 1
MAX_BYTES = 1 << 53
MAX_COUNT = 10_000

#: Lines of the bag's lists and directory entries that one more file brings, in bytes; a path has 400 at most.
_LINES = 4096


def _spared(published: int) -> int:
    """BD-R XL with default spare areas: there is no published figure, so the share that BD-R 25 loses; whole
    sectors."""
    return published * 24_220_008_448 // 25_025_314_816 // SECTOR * SECTOR


#: Usable bytes of recordable discs, sectors x 2048; in each line the smaller of the formats.
DISCS = {
    "dvd": 4_700_372_992,  # DVD+R; DVD-R has 4,707,319,808
    "dvd-dl": 8_543_666_176,  # DVD-R DL; DVD+R DL has 8,547,991,552
    "bd-25": 24_220_008_448,  # with default spare areas; 25,025,314,816 without
    "bd-50": 48_440_016_896,  # 50,050,629,632 without
    "bd-100": _spared(100_103_356_416),
    "bd-128": _spared(128_001_769_472),
}


@dataclass(frozen=True, slots=True)
class VolumeKind:
    """One kind of volume. All numbers are bytes.

    `usable` is space for clusters of files and folders after the file system's own structures; a file takes whole
    `unit`s and `each` more; `largest_file` is the limit for one file. `basis` says for people what was counted.
    """

    label: str
    file_system: str
    medium: int
    usable: int
    unit: int
    each: int
    largest_file: int
    basis: str

    def cost(self, size: int) -> int:
        """Bytes that a file of `size` bytes takes here, with its folder, its directory entries and its lines."""
        return -(-size // self.unit) * self.unit + self.each

    def fits(self, space: int) -> int:
        """The largest file, in bytes, whose cost is at most `space`; -1 where not even an empty one has space."""
        left = space - self.each
        return min(left // self.unit * self.unit, self.largest_file) if left >= 0 else -1


@dataclass(frozen=True, slots=True)
class Supply:
    """Volumes of one kind that can be used; `count` None for as many as are needed."""

    kind: VolumeKind
    count: int | None = None


_SUPPLY = re.compile(r"(?:(?P<count>[0-9]{1,6})x)?(?P<what>[^:]+)(?::(?P<system>.*))?", re.IGNORECASE)
_SIZE = re.compile(r"(?P<number>[0-9][0-9_,]{0,24}(?:\.[0-9]{1,9})?)\s*(?P<unit>[a-z]*)", re.IGNORECASE)
_THOUSANDS = re.compile(r"[0-9]{1,3}(?:,[0-9]{3})+")
_UNITS = {
    **{"": 1, "b": 1, "kb": 10**3, "mb": 10**6, "gb": 10**9, "tb": 10**12},
    **{"kib": _KIB, "mib": _MIB, "gib": _GIB, "tib": 1 << 40},
}
_FORMS = "like 16GB:fat32, 2x64GB:exfat, dvd, bd-25, bd-50:udf, 30_000_000_000:ext4 or 5GiB:folder"


def parse_supplies(texts: Iterable[str]) -> tuple[Supply, ...]:
    """Read the values of `--volume`, in order; the same kind given again adds to its count.

    Raises InputError with everything that is wrong.
    """
    found: dict[VolumeKind, Supply] = {}
    wrong: list[str] = []
    for text in texts:
        try:
            each = parse_supply(text)
        except InputError as e:
            wrong.append(e.message)
            continue
        counts = [each.count, *([found[each.kind].count] if each.kind in found else [])]
        found[each.kind] = Supply(each.kind, None if None in counts else sum(count or 0 for count in counts))
    if len(wrong) == 1:
        raise InputError(wrong[0], hint=_FORMS)
    if wrong:
        raise InputError(f"{len(wrong)} volumes cannot be read", hint=_FORMS, evidence=wrong)
    if not found:
        raise InputError("no volume was named", hint=f"--volume KIND, {_FORMS}")
    return tuple(found.values())


def parse_supply(text: str) -> Supply:
    """Read one kind of volume with its count: `[Nx]SIZE[:FILE-SYSTEM]` or `[Nx]DISC[:iso|udf]`.

    Raises InputError.
    """
    match = _SUPPLY.fullmatch(text.strip())
    if match is None:
        raise InputError(f"--volume {visible(text)[:60]}: cannot be read", hint=_FORMS)
    count = int(match["count"]) if match["count"] else None
    if count is not None and not 1 <= count <= MAX_COUNT:
        raise InputError(f"--volume {visible(text)[:60]}: 1 to {MAX_COUNT} volumes", hint=_FORMS)
    what, system = match["what"].strip().lower(), match["system"]
    if system is not None:
        system = _system(text, system.strip().lower())
    if what in DISCS:
        return Supply(_disc(text, what, system or "iso"), count)
    size = _SIZE.fullmatch(what)
    if size is None or size["unit"].lower() not in _UNITS:
        near = get_close_matches(what, (*DISCS, *FILE_SYSTEMS), n=1)
        if near and near[0] in FILE_SYSTEMS:
            raise InputError(f"--volume {visible(text)[:60]}: its size is missing, as in 16GB:{near[0]}", hint=_FORMS)
        meant = f"; did you mean {near[0]}?" if near else ""
        raise InputError(f"--volume {visible(text)[:60]}: neither a size nor a disc{meant}", hint=_FORMS)
    if "," in size["number"] and not _THOUSANDS.fullmatch(size["number"].partition(".")[0]):
        point = f"{size['number'].replace(',', '.')}{size['unit'].upper().replace('IB', 'iB').replace('KB', 'kB')}"
        meant = f"; did you mean {point}?" if point.count(".") == 1 else ""
        raise InputError(f"--volume {visible(text)[:60]}: a comma separates thousands{meant}", hint=_FORMS)
    return Supply(_stick(text, _bytes(size["number"], size["unit"]), system or ANY), count)


def _bytes(number: str, unit: str) -> int:
    whole, _, fraction = number.replace("_", "").replace(",", "").partition(".")
    scale = _UNITS[unit.lower()]
    return int(whole) * scale + (int(fraction) * scale // 10 ** len(fraction) if fraction else 0)


def _system(text: str, name: str) -> str:
    if name in FILE_SYSTEMS:
        return name
    near = next((known for known, fs in _SYSTEMS.items() if name in fs.also), "")
    near = near or next(iter(get_close_matches(name, FILE_SYSTEMS, n=1)), "")
    meant = f"did you mean {near}?" if near else f"one of {', '.join(FILE_SYSTEMS)}"
    raise InputError(f"--volume {visible(text)[:60]}: no file system {visible(name)[:20]!r}; {meant}", hint=_FORMS)


def _disc(text: str, name: str, system: str) -> VolumeKind:
    discs = [known for known, fs in _SYSTEMS.items() if fs.carried is Carried.DISC]
    if system not in discs:
        raise InputError(f"--volume {visible(text)[:60]}: a disc takes {' or '.join(discs)}", hint=_FORMS)
    label = name if system == discs[0] else f"{name}:{system}"
    return _with(label, DISCS[name], system)


def _stick(text: str, size: int, system: str) -> VolumeKind:
    fs = _SYSTEMS.get(system)
    least = fs.least if fs else 1
    if not least <= size <= MAX_BYTES:
        message = f"{system} needs {human_bytes(least)} at least" if size < least else "larger than any medium"
        raise InputError(f"--volume {visible(text)[:60]}: {message}", hint=_FORMS)
    if fs is not None and size > fs.most:
        tib = fs.most >> 40
        larger = [known for known, fs in _SYSTEMS.items() if fs.carried is Carried.STICK and fs.most >= size]
        raise InputError(
            f"--volume {visible(text)[:60]}: {fs.title} has {tib} TiB at most", hint=next(iter(larger), "")
        )
    label = _size_label(size)
    return _with(label if system == ANY else f"{label}:{system}", size, system)


def _size_label(size: int) -> str:
    for unit in ("TB", "GB", "MB", "kB"):
        if size % _UNITS[unit.lower()] == 0:
            return f"{size // _UNITS[unit.lower()]}{unit}"
    for unit in ("TiB", "GiB", "MiB", "KiB"):
        if size % _UNITS[unit.lower()] == 0:
            return f"{size // _UNITS[unit.lower()]}{unit}"
    return str(size)


def _with(label: str, size: int, system: str) -> VolumeKind:
    if system == ANY:
        return _strictest(label, size)
    fs = _SYSTEMS[system]
    usable, unit, each = fs.sizes(size)
    return VolumeKind(label, system, size, max(0, usable), unit, each, fs.largest_file, fs.basis)


def _strictest(label: str, size: int) -> VolumeKind:
    """The worst of the file systems that a medium of this size can carry; of a folder where it can carry none."""
    sticks = [fs for fs in _SYSTEMS.values() if fs.carried is Carried.STICK]
    sizes = [fs.sizes(size) for fs in sticks if fs.least <= size <= fs.most] or [_SYSTEMS[FOLDER].sizes(size)]
    usable, unit, each = min(s[0] for s in sizes), max(s[1] for s in sizes), max(s[2] for s in sizes)
    titles = [fs.title for fs in sticks]
    strict = f"the strictest of {', '.join(titles[:-1])} and {titles[-1]}"
    basis = f"no file system named: {strict}, files of 4 GiB - 1 at most"
    return VolumeKind(label, ANY, size, max(0, usable), unit, each, min(fs.largest_file for fs in sticks), basis)


def _fat32(size: int) -> tuple[int, int, int]:
    """Tables as for the smallest clusters in use, rounding as for the largest: then it fits, whatever formatted it."""
    smallest = 512 if size <= 300_000_000 else 4 * _KIB  # mkfs.fat and others: 512 bytes up to 260 MiB
    aligned = 1 * _MIB if size < _GB else 8 * _MIB  # partition table and the cards' alignment of tables and data
    tables = 2 * 4 * (size // smallest + 2)
    most = 1 << ((size // 65_525).bit_length() - 1)  # larger clusters would make it FAT16
    unit = max(4 * _KIB, min(32 * _KIB, most))
    return size - aligned - tables - 2 * unit, unit, unit + _LINES


def _exfat(size: int) -> tuple[int, int, int]:
    unit = 4 * _KIB if size <= 256 * _MIB else 32 * _KIB if size <= 32 * _GIB else 128 * _KIB
    if size > 128 * _GIB:  # cards of more than 128 GiB have larger clusters
        unit = 256 * _KIB if size <= 512 * _GIB else 512 * _KIB
    aligned = 3 * _MIB if size < _GB else 16 * _MIB if size <= 32 * _GIB else 64 * _MIB
    clusters = size // (4 * _KIB)  # the smallest in use
    tables = 4 * (clusters + 2) + clusters // 8 + 128 * _KIB  # table, bitmap, up-case table
    return size - aligned - tables - 2 * unit, unit, unit + _LINES


def _ext4(size: int) -> tuple[int, int, int]:
    small = size < 512 * _MIB  # mke2fs.conf: below, blocks of 1 KiB and an inode of 256 bytes for each 4 KiB
    ratio = 4 * _KIB if small else 16 * _KIB
    inodes = size // ratio * 256
    journal = min(max(size // 30, min(size // 8, 8 * _MIB)), _GIB)
    root = size // 20
    groups = size // 100 + 3 * _MIB  # descriptors, space to grow them, bitmaps, partition table
    # A file and its folder take an inode each, a folder a block and a large file one of extents.
    return size - inodes - journal - root - groups, 4 * _KIB, 2 * ratio + _LINES


def _iso(size: int) -> tuple[int, int, int]:
    # 257 sectors before UDF's anchor, one at the end, descriptors, path tables, 150 sectors of padding: under 2 MiB.
    # Each file: a UDF file entry; its folder: records in ISO 9660, Joliet and UDF, and a file entry.
    return size - 2 * _MIB, SECTOR, 6 * SECTOR + _LINES


def _folder(size: int) -> tuple[int, int, int]:
    return size, 4 * _KIB, 8 * _KIB + _LINES


class Carried(StrEnum):
    """What a file system is used on. A size without a file system is counted for those of sticks."""

    STICK = "stick"
    DISC = "disc"
    DISK = "disk"


@dataclass(frozen=True, slots=True)
class FileSystem:
    """What packing needs to know of a file system; numbers are bytes.

    `sizes` gives for a medium's size the space for clusters, the cluster, and what one more file takes beside its own
    clusters. Media have `least` to `most`. `also` are other names of it, for which this one is suggested.
    """

    title: str
    sizes: Callable[[int], tuple[int, int, int]]
    least: int
    carried: Carried
    basis: str
    largest_file: int = ANY_FILE
    most: int = MAX_BYTES
    also: tuple[str, ...] = ()


_SYSTEMS = {
    "fat32": FileSystem(
        # At least the fewest clusters (the specification's rule for telling FAT32 from FAT16) x 512 bytes, and tables.
        "FAT32", _fat32, 35_000_000, Carried.STICK,
        "two tables, rounding to clusters of up to 32 KiB, files of 4 GiB - 1 at most", FAT_FILE, 2 << 40,
        ("fat", "vfat"),
    ),
    "exfat": FileSystem(
        "exFAT", _exfat, 8_000_000, Carried.STICK, "table, bitmap, rounding to the clusters usual at this size"
    ),
    "ext4": FileSystem("ext4", _ext4, 16_000_000, Carried.STICK, "inodes, journal, five in a hundred for root"),
    "iso": FileSystem(
        "ISO 9660", _iso, 4_000_000, Carried.DISC,
        "ISO 9660 with Joliet and UDF structures, files of 4 GiB - 1 at most", FAT_FILE, also=("iso9660",),
    ),
    "udf": FileSystem(
        "UDF", _iso, 4_000_000, Carried.DISC, "UDF structures; files over 4 GiB - 1 are read through UDF only"
    ),
    "folder": FileSystem(
        "folder", _folder, 1, Carried.DISK, "free bytes as given, rounding to 4 KiB", also=("dir",)
    ),
}  # fmt: skip
FOLDER, ANY = "folder", "any"
FILE_SYSTEMS = (*_SYSTEMS, ANY)
