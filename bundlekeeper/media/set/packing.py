"""Makes the packing of a set: the files with their places in the store, on volumes that can each be verified alone.

Rules: every volume keeps space for what all of them carry (lists, index, manifest, the text for people, the verifier)
and the share that is kept free; a signature lies on its bundle's volume; the parts of a split file are numbered by
volume and follow each other without a gap; no bundle is read, and signatures and the manifest only for their digests.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import human_bytes
from bundlekeeper.media.packing.pack import pack
from bundlekeeper.media.packing.types import Box, Cost, NotPacked, Packed, PackingItem
from bundlekeeper.media.set.what_belongs import SetContents
from bundlekeeper.media.volume import bag_text
from bundlekeeper.model.media.capacity import Supply, VolumeKind
from bundlekeeper.model.media.index import FilePart, SetFile, file_row
from bundlekeeper.model.media.packing import PackedFile, PackedVolume, SetPacking
from bundlekeeper.store.contents.right_now import Holding
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database.bundle_facts import facts_of
from bundlekeeper.store.database.rows import BundleFacts
from bundlekeeper.store.signatures.sidecar_files import in_store, place_of

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Manifest

_KIB, _MIB = 1 << 10, 1 << 20
#: Small files of every volume, in bytes, at most: marks and lists (the lines of files are counted with each file),
#: the text for people, the verifiers (a program and a page), the index's signature, and a few more.
_SMALL = (*(4 * _KIB,) * 9, 32 * _KIB, 24 * _KIB, 40 * _KIB, 16 * _KIB, 4 * _KIB, 4 * _KIB)
_FOLDERS = 12
#: The tool's folder: its own wheel and some thirty others (cryptography's and pydantic's are the largest), in bytes.
_TOOL, _TOOL_FILES = 96 * _MIB, 120
_PART_LINE = 260  # bytes of a part in the index, beside its path


@dataclass(frozen=True, slots=True)
class Common:
    """A file that every volume carries: its path in the set, where it is now, its bytes."""

    path: str
    source: str
    data: bytes
    role: str

    @property
    def file(self) -> SetFile:
        """The file without its parts."""
        return SetFile(self.path, len(self.data), hashlib.sha256(self.data).hexdigest(), self.role, common=True)


@dataclass(frozen=True, slots=True)
class Bunch:
    """A bundle and the files that stay on its volume, without their parts; each with the place where it is now."""

    bundle: PackedFile
    beside: tuple[PackedFile, ...]


def bunches_of(
    store: Store, rows: Sequence[Holding], manifest: Manifest, contents: SetContents
) -> tuple[tuple[Bunch, ...], tuple[Finding, ...]]:
    """The set's bundles that are in the store, with their signatures, in order; and what is missing beyond `contents`.

    Raises InputError for unsafe names.
    """
    place = {bundle.sha256.lower(): number for number, bundle in enumerate(contents.bundles)}
    facts = {fact.sha256: fact for fact in facts_of(manifest) if fact.sha256 in place}
    stored: dict[str, Holding] = {}
    for holding in sorted(
        (holding for holding in rows if holding.state != "missing"),
        key=lambda holding: (holding.state != "verified", holding.stored.place),
    ):
        stored.setdefault(holding.stored.sha256, holding)
    bunches, problems = [], []
    for digest in sorted(facts, key=place.__getitem__):
        kept = stored.get(digest)
        if kept is None or digest in contents.left_out:
            continue
        fact = facts[digest]
        bundle = SetFile(fact.place, fact.size, digest, "bundle", fact.family, fact.version)
        signature, problem = _signature(store, kept, fact)
        problems += [problem] if problem else []
        bunches.append(Bunch(PackedFile(bundle, kept.stored.place), (signature,) if signature else ()))
    return tuple(bunches), tuple(problems)


def _signature(store: Store, row: Holding, fact: BundleFacts) -> tuple[PackedFile | None, Finding | None]:
    place = place_of(replace(row.stored, signature=fact.signature))
    if not place or fact.signature is None:
        return None, None
    file = in_store(store.fd, place)
    if file.data is None:
        message = file.trouble or f"the manifest names it as the signature of {fact.name}; it is not in the store"
        hint = "put it beside the bundle and add the bundle again: bundlekeeper store add MANIFEST --from DIR"
        return None, finding("missing", fact.signature.file, message, hint)
    path = f"{fact.place.rpartition('/')[0]}/{fact.signature.file}"
    digest = hashlib.sha256(file.data).hexdigest()
    signature = SetFile(path, len(file.data), digest, "signature", fact.family, fact.version)
    return PackedFile(signature, place), None


@dataclass(frozen=True, slots=True)
class PackingOptions:
    """How to pack the set: the volumes, the share of each to keep free (in ten-thousandths), space for the tool."""

    supplies: tuple[Supply, ...]
    spare: int = 0
    with_tool: bool = False


def pack_set(
    head: SetPacking, bunches: Sequence[Bunch], commons: Sequence[Common], wish: PackingOptions
) -> tuple[SetPacking | None, tuple[Finding, ...]]:
    """Pack the bunches: returns `head` with volumes and files; None, and why, where they cannot be packed.

    `head` has what the set is for, its manifest and what is missing.
    """
    paths = [
        *(packed_file.file.path for bunch in bunches for packed_file in (bunch.bundle, *bunch.beside)),
        *(common.path for common in commons),
    ]
    wrong = bag_text.refused(paths)
    if wrong:
        return None, tuple(wrong)
    items = [
        PackingItem(
            bunch.bundle.file.path,
            bunch.bundle.file.family,
            bunch.bundle.file.size,
            tuple(packed_file.file.size for packed_file in bunch.beside),
        )
        for bunch in bunches
    ]
    volumes = 1
    while True:
        index = _index_bytes(bunches, commons, volumes)
        spaces = {supply.kind: _space_on(supply.kind, commons, index, wish) for supply in wish.supplies}
        packed = pack(items, [Box(supply.kind, max(0, spaces[supply.kind]), supply.count) for supply in wish.supplies])
        if isinstance(packed, NotPacked):
            return None, _why(packed, items, spaces, wish)
        if len(packed.bins) <= volumes:
            break
        volumes = (
            len(packed.bins) + len(packed.bins) // 8
        )  # the index grows with the number of volumes, and the number with the index
    kinds = [wish.supplies[b].kind for b in packed.bins]
    files = [*common_files(commons, len(kinds)), *_bundle_files(bunches, packed, kinds)]
    packing = replace(
        head,
        volumes=tuple(_volume(n, kind, files, spaces[kind]) for n, kind in enumerate(kinds, 1)),
        files=tuple(files),
        exact=packed.exact,
        summary=describe(packed),
        with_tool=wish.with_tool,
    )
    return packing, ()


def _index_bytes(bunches: Sequence[Bunch], commons: Sequence[Common], volumes: int) -> int:
    """The most bytes that the set's index can take; at each end of a volume one file may be split."""
    files = [packed_file.file for bunch in bunches for packed_file in (bunch.bundle, *bunch.beside)]
    total = 4 * _KIB + (2 * volumes + _TOOL_FILES) * _PART_LINE  # texts of each volume and the tool's files
    for file in files:
        total += len(json.dumps(file_row(file))) + _PART_LINE + len(json.dumps(file.path))
    longest = max((len(json.dumps(f.path)) for f in files), default=0)
    total += (2 * volumes + len(files) // 8) * (_PART_LINE + longest)
    for common in commons:
        total += len(json.dumps(file_row(common.file))) + volumes * (_PART_LINE + len(json.dumps(common.path)))
    return total


def _space_on(kind: VolumeKind, commons: Sequence[Common], index: int, wish: PackingOptions) -> int:
    """The space that a volume has for bundles, in bytes; below zero where what every volume carries does not fit."""
    reserved = sum(map(kind.cost, (*_SMALL, index, *(len(common.data) for common in commons)))) + _FOLDERS * kind.unit
    if wish.with_tool:
        reserved += kind.cost(_TOOL) + _TOOL_FILES * (kind.each + kind.unit)
    return kind.usable - -(-kind.usable * wish.spare // 10_000) - reserved


def common_files(commons: Sequence[Common], volumes: int) -> list[PackedFile]:
    """The files that each of so many volumes carries whole."""
    packed_files = []
    for common in commons:
        file = common.file
        parts = tuple(FilePart(v, file.path, 0, file.size, file.sha256) for v in range(1, volumes + 1))
        packed_files.append(PackedFile(replace(file, parts=parts), common.source))
    return packed_files


def _bundle_files(bunches: Sequence[Bunch], packed: Packed, kinds: Sequence[VolumeKind]) -> list[PackedFile]:
    pieces: dict[int, list[tuple[int, int]]] = {}
    leads: dict[int, int] = {}
    for piece in packed.pieces:
        pieces.setdefault(piece.item, []).append((piece.bin + 1, piece.size))
        if piece.leads:
            leads[piece.item] = piece.bin + 1
    packed_files: list[PackedFile] = []
    for n, bunch in enumerate(bunches):
        packed_files.append(replace(bunch.bundle, file=_parted(bunch.bundle.file, pieces[n], kinds)))
        for packed_file in bunch.beside:
            part = FilePart(leads[n], packed_file.file.path, 0, packed_file.file.size, packed_file.file.sha256)
            packed_files.append(replace(packed_file, file=replace(packed_file.file, parts=(part,))))
    return packed_files


def _parted(file: SetFile, pieces: Sequence[tuple[int, int]], kinds: Sequence[VolumeKind]) -> SetFile:
    """The file with its parts: on each volume as few as the limit for one file allows; the last is the smallest."""
    cuts: list[tuple[int, int]] = []
    for volume, size in pieces:
        largest = kinds[volume - 1].largest_file
        while size > largest:
            cuts.append((volume, largest))
            size -= largest
        cuts.append((volume, size))
    if len(cuts) == 1:
        return replace(file, parts=(FilePart(cuts[0][0], file.path, 0, file.size, file.sha256),))
    width = max(2, len(str(len(cuts))))
    parts, reached = [], 0
    for number, (volume, size) in enumerate(cuts, 1):
        path = f"{file.path}.part-{number:0{width}}of{len(cuts):0{width}}"
        parts.append(FilePart(volume, path, reached, size, "", number))
        reached += size
    return replace(file, parts=tuple(parts))


def _volume(number: int, kind: VolumeKind, files: Sequence[PackedFile], space: int) -> PackedVolume:
    used = sum(
        kind.cost(part.size)
        for packed_file in files
        if not packed_file.file.common
        for part in packed_file.file.parts
        if part.volume == number
    )
    return PackedVolume(number, kind.label, kind.file_system, kind.usable, kind.usable - space, used, kind.largest_file)


def describe(packed: Packed) -> str:
    """How good a packing is, for people."""
    if packed.exact:
        return f"{_cost(packed.cost)}: this is the minimum"
    cost, least = packed.cost, packed.least
    if least.volumes < cost.volumes:
        bound = f"{least.volumes} volumes"
    elif least.splits < cost.splits:
        bound = f"{least.splits} split files"
    else:
        bound = f"{least.pairs} pairs"
    return f"{_cost(cost)}; the minimum is not known: {bound} or more are needed"


def _cost(cost: Cost) -> str:
    volumes = "1 volume" if cost.volumes == 1 else f"{cost.volumes} volumes"
    splits = "1 split file" if cost.splits == 1 else f"{cost.splits} split files"
    return f"{volumes}, {splits}, {cost.pairs} pairs of family and volume"


def _why(
    packed: NotPacked, items: Sequence[PackingItem], spaces: Mapping[VolumeKind, int], wish: PackingOptions
) -> tuple[Finding, ...]:
    names = ", ".join(supply.kind.label for supply in wish.supplies)
    hint = "name more volumes, or larger ones"
    if all(space <= 0 for space in spaces.values()):
        most = max(spaces.values())
        message = f"what every volume carries does not fit: {human_bytes(-most)} short"
        return (finding("not-enough-space", names, message, hint),)
    if packed.lacking:
        return tuple(
            finding(
                "not-enough-space",
                items[i].name,
                f"{human_bytes(items[i].size)} fit on none of these volumes: {names}",
                hint,
            )
            for i in packed.lacking
        )
    total = sum(item.size for item in items)
    has = sum(spaces[supply.kind] * (supply.count or 0) for supply in wish.supplies)
    if packed.certain:
        message = f"the set is {human_bytes(total)}, the volumes have space for {human_bytes(has)}"
        return (finding("not-enough-space", names, f"{message}: at least {human_bytes(packed.short)} short", hint),)
    message = f"the set is {human_bytes(total)}, and no packing was found for volumes with {human_bytes(has)}"
    return (finding("not-enough-space", names, message, "name one more volume"),)


def read_spare(text: str) -> int:
    """Read `5%` or `2.5%` as hundredths of a percent, 0 to 9000. Raises InputError."""
    whole, _, fraction = text.strip().removesuffix("%").strip().partition(".")
    digits = whole.isascii() and whole.isdigit() and (not fraction or (fraction.isascii() and fraction.isdigit()))
    if not digits or len(whole) > 2 or len(fraction) > 2 or int(whole) >= 90:
        raise InputError(f"--spare {text[:20]}: give a share from 0% to 89.99%", hint="--spare 5%")
    return int(whole) * 100 + int(fraction.ljust(2, "0") or 0)
