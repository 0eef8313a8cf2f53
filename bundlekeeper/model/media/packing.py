"""The packing of a media set: each file with its place in the store, which volume holds it, and what is missing.

Rules: plain values, no I/O, no clock; the same store, manifest and request give the same bytes; sizes are bytes; the
parts of a split file have no digests, because nothing was read yet; what is missing is written into the packing, so
that nobody writes an incomplete set without knowing; a packing that was changed by hand is read as strictly as any
other. Form: JSON, indented, sorted keys, one LF at the end. Not signed: it states what is to be written, and verifies
nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import field

from bundlekeeper.findings import CODES, Finding, Level
from bundlekeeper.formats import limits
from bundlekeeper.formats.document import (
    JsonDocument,
    Misfit,
    array,
    converted,
    flag,
    forms_of,
    named,
    nested,
    one_of,
    table,
    text,
    whole,
)
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.media.index import DIGEST, MAX_FILES, MAX_VOLUMES, PLATFORM, FilePart, SetFile, insist_on_files

_MISSING = table(
    Finding,
    {
        "code": text(),
        "level": converted(one_of(Level), Level, str),
        "subject": text(),
        "message": text(),
        "hint": text(empty=True),
    },
)


@dataclass(frozen=True, slots=True)
class PackedFile:
    """One file of the set and where it lies now.

    `source` is its path inside the store (POSIX), or an absolute path: of a manifest file that is not in the store.
    """

    file: SetFile
    source: str


_FILE = table(
    lambda source, **of_file: PackedFile(SetFile(**of_file), source),
    {**forms_of(SetFile), "source": text()},
    get=lambda packed_file, name: getattr(packed_file if name == "source" else packed_file.file, name),
)


@dataclass(frozen=True, slots=True)
class PackedVolume:
    """One volume; all sizes are bytes. `usable` is for everything that is written. `reserved` is the share of it for
    what every volume carries and for what is kept free. `used` is what its files take, rounded up by the file system.

    `kind` is as the user named it (`16GB:fat32`), `file_system` one of `model.media.capacity.FILE_SYSTEMS`.
    """

    number: int = field(metadata=whole(1))
    kind: str = field(metadata=text())
    file_system: str = field(metadata=text())
    usable: int = field(metadata=whole())
    reserved: int = field(metadata=whole())
    used: int = field(metadata=whole())
    largest_file: int = field(metadata=whole())


@dataclass(frozen=True, slots=True)
class SetPacking:
    """A whole packing. `missing` is what the set lacks to be complete; `exact` says that no better packing exists.

    `summary` says for people how good the packing is. `manifest` is the SHA-256 of the manifest that the packing was
    made from. `with_tool` says that space is kept for the tool's folder.
    """

    platform: str = field(metadata=PLATFORM)
    meant_for: str = field(metadata=named("for", text()))
    manifest: str = field(metadata=named("manifest/sha256", DIGEST))
    manifest_sequence: int = field(metadata=named("manifest/sequence", whole()))
    volumes: tuple[PackedVolume, ...] = field(metadata=array(nested(PackedVolume), MAX_VOLUMES))
    files: tuple[PackedFile, ...] = field(metadata=array(_FILE, MAX_FILES))
    missing: tuple[Finding, ...] = field(default=(), metadata=array(_MISSING, MAX_FILES))
    exact: bool = field(default=True, metadata=flag())
    summary: str = field(default="", metadata=text(empty=True))
    with_tool: bool = field(default=False, metadata=flag())

    def on(self, volume: int) -> Iterator[tuple[PackedFile, FilePart]]:
        """The files and parts for a volume, by path."""
        rows = [
            (packed_file, part)
            for packed_file in self.files
            for part in packed_file.file.parts
            if part.volume == volume
        ]
        yield from sorted(rows, key=lambda row: row[1].path)

    @property
    def sha256(self) -> str:
        """SHA-256 of the packing's bytes; a set that was begun is found again by it."""
        return hashlib.sha256(write_packing(self)).hexdigest()


def write_packing(packing: SetPacking) -> bytes:
    """The packing's bytes; what is read from them is equal to `packing`."""
    return _PACKING.write(packing)


def read_packing(data: bytes, where: str = "") -> SetPacking:
    """Read a packing strictly.

    Raises InputError: as `JsonDocument.read`, and for volumes that are not numbered 1, 2, 3 …, a path that is
    there twice, parts that do not add up to their file or are larger than their volume can have.
    """
    return _PACKING.read(data, where)


def _insist(packing: SetPacking) -> None:
    for i, volume in enumerate(packing.volumes):
        if volume.number != i + 1:
            raise Misfit(f"is not {i + 1}", "volumes", i, "number")
    for i, packed_file in enumerate(packing.files):
        if "\0" in packed_file.source or ".." in packed_file.source.split("/"):
            raise Misfit("leads out of the store", "files", i, "source")
    for i, missing in enumerate(packing.missing):
        if missing.code not in CODES:
            raise Misfit("is a code that does not exist", "missing", i, "code")
    insist_on_files([packed_file.file for packed_file in packing.files], len(packing.volumes), read=False)
    for i, packed_file in enumerate(packing.files):
        for part in packed_file.file.parts:
            if part.size > packing.volumes[part.volume - 1].largest_file:
                raise Misfit(f"is larger than a file on volume {part.volume} may be", "files", i)


_PACKING = JsonDocument(
    SetPacking,
    "bundlekeeper.packing/1",
    what="the packing",
    kind="packing of a media set",
    hint="bundlekeeper media pack --out FILE",
    limit=limits.PACKING_BYTES,
    indented=True,
    check=_insist,
)
