"""A media set as types: what goes out, which volume has what, and the index that its maker signs.

Rules: plain values, no I/O, no clock; sizes are bytes, digests SHA-256 in lower-case hexadecimal; a path is POSIX and
below a volume's payload folder; a file is whole on one volume or in parts that are each verified alone, and is then
verified as a whole again; what every volume carries (manifest and its signature, never a key) is `common`; an index
names every file of every volume, so that a file of another set is never mistaken for one of this set, and the texts
beside them that people read and run, so that a replaced one is found.
Form of the index: JSON, canonical (sorted keys, no blanks, one LF at the end), because its bytes are what is signed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import field
from datetime import datetime
from typing import NamedTuple

from bundlekeeper.formats import limits
from bundlekeeper.formats.document import (
    JsonDocument,
    Misfit,
    array,
    flag,
    hexadecimal,
    left_out,
    matching,
    moment,
    named,
    nested,
    one_of,
    optional,
    safe_path,
    text,
    whole,
)
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.safe_names import collision_key
from bundlekeeper.frozen import dataclass

MAX_VOLUMES = 10_000
MAX_FILES = 100_000
#: What a file of a set is. A `notice` lists withdrawn bundles; a set of `media write --notice` has nothing else. A
#: `plan` is a kept plan, its `plan-record` what was said of it.
ROLES = ("bundle", "signature", "manifest", "manifest-signature", "notice", "plan", "plan-record", "run-book")

DIGEST = hexadecimal(64)
PLATFORM = matching(re.compile(r"[a-z0-9]+(-[a-z0-9]+)*"), 64)


@dataclass(frozen=True, slots=True)
class FilePart:
    """A range of a file's bytes on one volume, in a file of its own at `path` there; `number` counts from 1.

    A file that is not split has one part, of the file's own path, size and digest. Of a split file's part `through` is
    the SHA-256 of the file's bytes from its beginning to the part's end, so that a reader of part after part verifies
    each of them with the one hash that the whole needs; any other part has none. Both digests of a split file's part
    are empty in a packing, where the part was not read yet.
    """

    volume: int = field(metadata=whole(1, MAX_VOLUMES))
    path: str = field(metadata=safe_path())
    offset: int = field(metadata=whole())
    size: int = field(metadata=whole())
    sha256: str = field(default="", metadata=hexadecimal(64, empty=True))
    number: int = field(default=1, metadata=whole(1))
    through: str = field(default="", metadata=left_out(DIGEST))


class PartDigests(NamedTuple):
    """The SHA-256 of a part's bytes, and that of its file's from the beginning to the part's end."""

    sha256: str
    through: str


@dataclass(frozen=True, slots=True)
class SetFile:
    """One file of a set: its path below the payload folder, its size and digest, and its parts.

    A `common` file has one part on every volume. `family` and `version` are a bundle's, also for its signature.
    """

    path: str = field(metadata=safe_path())
    size: int = field(metadata=whole())
    sha256: str = field(metadata=DIGEST)
    role: str = field(metadata=one_of(ROLES))
    family: str = field(default="", metadata=text(empty=True))
    version: str = field(default="", metadata=text(empty=True))
    common: bool = field(default=False, metadata=flag())
    parts: tuple[FilePart, ...] = field(default=(), metadata=array(nested(FilePart), MAX_VOLUMES))

    @property
    def split(self) -> bool:
        """True when no volume has it whole."""
        return not self.common and len(self.parts) > 1


_FILE = nested(SetFile)


@dataclass(frozen=True, slots=True)
class Text:
    """A file beside the payload of a volume, by its path there; `volume` 0: the same on every volume that has it."""

    volume: int = field(metadata=whole(0, MAX_VOLUMES))
    path: str = field(metadata=safe_path())
    size: int = field(metadata=whole())
    sha256: str = field(metadata=DIGEST)


@dataclass(frozen=True, slots=True)
class Chain:
    """The state of a store's ledger when the set was made: its id, its number of events, the head of its chain."""

    ledger: str = field(metadata=named("id", hexadecimal()))
    count: int = field(metadata=whole())
    head: str = field(metadata=DIGEST)


@dataclass(frozen=True, slots=True)
class SetIndex:
    """A media set. `set_id` is 16 hexadecimal digits, made at random once; `sequence` counts the issuer's sets upwards.

    `issuer` is the id of the ledger of the store that made it; `meant_for` what `--for` named; `manifest` the SHA-256
    of the manifest that it was made from and `manifest_sequence` its number; `made` is aware, in UTC; `texts` are
    the files beside the payload whose bytes are known before the index is signed (`volume.tag_files` decides which).
    """

    set_id: str = field(metadata=named("set", hexadecimal(16)))
    issuer: str = field(metadata=hexadecimal())
    sequence: int = field(metadata=whole(1))
    platform: str = field(metadata=PLATFORM)
    meant_for: str = field(metadata=named("for", text()))
    made: datetime = field(metadata=moment())
    manifest: str = field(metadata=named("manifest/sha256", DIGEST))
    manifest_sequence: int = field(metadata=named("manifest/sequence", whole()))
    volumes: int = field(metadata=whole(1, MAX_VOLUMES))
    files: tuple[SetFile, ...] = field(metadata=array(_FILE, MAX_FILES))
    chain: Chain | None = field(default=None, metadata=named("ledger", optional(nested(Chain))))
    notes: tuple[str, ...] = field(default=(), metadata=array(text(), 1000))
    texts: tuple[Text, ...] = field(default=(), metadata=array(nested(Text), MAX_FILES))

    def texts_on(self, volume: int) -> dict[str, Text]:
        """The texts that a volume has beside its payload, by path."""
        return {text.path: text for text in self.texts if text.volume in (0, volume)}

    def on(self, volume: int) -> Iterator[tuple[SetFile, FilePart]]:
        """The files and parts on a volume, by path."""
        rows = [(file, part) for file in self.files for part in file.parts if part.volume == volume]
        yield from sorted(rows, key=lambda row: row[1].path)

    @property
    def name(self) -> str:
        """What people call the set; also the beginning of the name of each volume's folder."""
        return name_of(self.platform, self.sequence)

    def folder(self, volume: int) -> str:
        """The name of a volume's folder on its medium; safe on any file system."""
        return folder_of(self.name, volume, self.volumes)


def name_of(platform: str, sequence: int) -> str:
    """What people call the set of this platform and number."""
    return f"{platform}-set{sequence:04d}"


def folder_of(name: str, volume: int, volumes: int) -> str:
    """The name of the folder of one volume of the set that is called `name`."""
    return f"{name}-{volume}of{volumes}"


def file_row(file: SetFile) -> object:
    """A file in the form that the documents about a set have, as a JSON value."""
    return _FILE["write"](file)


def write_index(index: SetIndex) -> bytes:
    """The index's bytes, which are signed."""
    return _INDEX.write(index)


def read_index(data: bytes, where: str = "") -> SetIndex:
    """Read an index strictly: every problem is refused, nothing is repaired.

    Raises InputError: as `JsonDocument.read`, and for a path that is the same as another on some file system, and parts
    that do not add up to their file.
    """
    return _INDEX.read(data, where)


def _insist(index: SetIndex) -> None:
    for i, each in enumerate(index.texts):
        _insist_on_volume(each.volume, 0, index.volumes, "texts", i)
    insist_on_files(index.files, index.volumes, read=True)


def insist_on_files(files: Sequence[SetFile], volumes: int, *, read: bool) -> None:
    """Raise Misfit where a file is not the sum of its parts, which have digests if `read`, or is not unique."""
    for i, each in enumerate(files):
        try:
            _insist_on_parts(each, volumes, read=read)
        except Misfit as misfit:
            raise misfit.under("files", i) from None
    _insist_on_paths(files)


def _insist_on_volume(volume: int, least: int, most: int, *path: str | int) -> None:
    if not least <= volume <= most:
        raise Misfit(f"is not a whole number from {least} to {most}", *path, "volume")


def _insist_on_parts(each: SetFile, volumes: int, *, read: bool) -> None:
    """A common file is whole on every volume; any other file is the sum of its parts, in order, without a gap."""
    digests = read or not each.split  # in a packing a split file's parts have none
    for i, part in enumerate(each.parts):
        _insist_on_volume(part.volume, 1, volumes, "parts", i)
        if bool(part.sha256) is not digests:
            raise Misfit("is empty" if digests else "must not be there before the part was read", "parts", i, "sha256")
        if part.through and not (read and each.split):
            raise Misfit("has the unknown key through", "parts", i)
        if not part.through and read and each.split:
            raise Misfit("lacks through", "parts", i)
    if each.common:
        right = [(v, each.path, 0, each.size, each.sha256, 1) for v in range(1, volumes + 1)]
        if [(p.volume, p.path, p.offset, p.size, p.sha256, p.number) for p in each.parts] != right:
            raise Misfit("are not the whole file on every volume", "parts")
        return
    reached = 0
    for number, part in enumerate(each.parts, 1):
        if (part.number, part.offset) != (number, reached) or (part.size == 0 and each.size > 0):
            raise Misfit("does not follow the part before it", "parts", number - 1)
        reached += part.size
    if not each.parts or reached != each.size:
        raise Misfit(f"have {reached} bytes together, not {each.size}", "parts")
    if len(each.parts) == 1 and (each.parts[0].path, each.parts[0].sha256) != (each.path, each.sha256):
        raise Misfit("is the whole file, but has another path or digest", "parts", 0)
    if read and each.split and each.parts[0].through != each.parts[0].sha256:
        raise Misfit("is not the digest of the part that the file begins with", "parts", 0, "through")
    if read and each.split and each.parts[-1].through != each.sha256:
        raise Misfit("is not the digest of the whole file", "parts", len(each.parts) - 1, "through")


def _insist_on_paths(files: Iterable[SetFile]) -> None:
    """Raise Misfit for two files with the same name on some file system, in the set or on one volume."""
    seen: dict[tuple[int, str], str] = {}
    for file in files:
        for volume, path in [(0, file.path), *((part.volume, part.path) for part in file.parts)]:
            key = (volume, "/".join(collision_key(name) for name in path.split("/")))
            if key in seen:
                raise Misfit(
                    f"have {visible(path)} and {visible(seen[key])}, which are the same name on some systems", "files"
                )
            seen[key] = path


_INDEX = JsonDocument(
    SetIndex,
    "bundlekeeper.media-set/1",
    what="the set's index",
    kind="index of a media set",
    limit=limits.SET_INDEX_BYTES,
    check=_insist,
)
