"""A media set as types: what is to go out, which volume holds what, and the index that its maker signs.

Rules: plain values, no I/O, no clock; sizes are bytes, digests SHA-256 in lower-case hexadecimal; a path is POSIX and
stands under a volume's payload folder; a file lies whole on one volume or in parts that are each proven alone, and
then is proven whole again; what every volume carries (manifest, its signature, keys of nobody) is `common`; an index
names every file of every volume, so that a file of another set is never taken for one of this, and the texts beside
them that people read and run, so that one that was replaced is found.
Form of the index: JSON, canonical (sorted keys, no blanks, one LF at the end), because its bytes are what is signed.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

from bundlekeeper.errors import InputError
from bundlekeeper.formats import json_read, limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.json_fields import JsonReader
from bundlekeeper.formats.safe_names import collision_key

INDEX_SCHEMA = "bundlekeeper.media-set/1"
MAX_VOLUMES = 10_000
MAX_FILES = 100_000
#: What a file of a set is. A `notice` tells of withdrawn bundles; it is all that a set of `media write --notice` holds.
ROLES = ("bundle", "signature", "manifest", "manifest-signature", "notice")

_PLATFORM = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


@dataclass(frozen=True, slots=True)
class FilePart:
    """A run of a file's bytes on one volume, in a file of its own at `path` there; `number` counts from 1.

    A file that is not split has one part, of the file's own path, size and digest. Of a split file's part `through` is
    the SHA-256 of the file's bytes from its beginning to the part's end, so that who reads part after part proves each
    of them by the one hash that the whole needs; it is empty in an index of before there was one, and costs a second
    read then. Both digests are empty in a plan, where the part was not read yet.
    """

    volume: int
    path: str
    offset: int
    size: int
    sha256: str = ""
    number: int = 1
    through: str = ""


class PartDigests(NamedTuple):
    """The SHA-256 of a part's bytes, and that of its file's from the beginning to the part's end."""

    sha256: str
    through: str


@dataclass(frozen=True, slots=True)
class SetFile:
    """One file of a set: where it comes to lie under the payload folder, its size and digest, and its parts.

    A `common` file has one part on every volume. `family` and `version` are a bundle's, also for its signature.
    """

    path: str
    size: int
    sha256: str
    role: str
    family: str = ""
    version: str = ""
    common: bool = False
    parts: tuple[FilePart, ...] = ()

    @property
    def split(self) -> bool:
        """True when no volume holds it whole."""
        return not self.common and len(self.parts) > 1


@dataclass(frozen=True, slots=True)
class Text:
    """A file beside the payload of a volume, by its path there; `volume` 0: the same on every volume that has it."""

    volume: int
    path: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Chain:
    """The state of a store's ledger when the set was made: whose, how many events, the chain's head; hexadecimal."""

    book: str
    count: int
    head: str


@dataclass(frozen=True, slots=True)
class SetIndex:
    """A media set. `set_id` is 16 hexadecimal digits, made at random once; `sequence` counts the issuer's sets upwards.

    `issuer` is the id of the ledger of the store that made it; `meant_for` what `--for` named; `manifest` the SHA-256
    of the manifest that it was made by and `manifest_sequence` its number; `made` is aware, in UTC; `texts` are
    the files beside the payload whose bytes are known before the index is signed (media.tags tells which those are).
    """

    set_id: str
    issuer: str
    sequence: int
    platform: str
    meant_for: str
    made: datetime
    manifest: str
    manifest_sequence: int
    volumes: int
    files: tuple[SetFile, ...]
    chain: Chain | None = None
    notes: tuple[str, ...] = field(default=())
    texts: tuple[Text, ...] = ()

    def texts_on(self, volume: int) -> dict[str, Text]:
        """The texts that a volume holds beside its payload, by path."""
        return {each.path: each for each in self.texts if each.volume in (0, volume)}

    def on(self, volume: int) -> Iterator[tuple[SetFile, FilePart]]:
        """The files and parts that a volume holds, by path."""
        rows = [(f, p) for f in self.files for p in f.parts if p.volume == volume]
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


def write_index(index: SetIndex) -> bytes:
    """The index's bytes, which are signed."""
    document: dict[str, Any] = {
        "schema": INDEX_SCHEMA,
        "set": index.set_id,
        "issuer": index.issuer,
        "sequence": index.sequence,
        "platform": index.platform,
        "for": index.meant_for,
        "made": index.made.isoformat(),
        "manifest": {"sha256": index.manifest, "sequence": index.manifest_sequence},
        "volumes": index.volumes,
        "ledger": None
        if index.chain is None
        else {"book": index.chain.book, "count": index.chain.count, "head": index.chain.head},
        "notes": list(index.notes),
        "texts": [{"volume": t.volume, "path": t.path, "size": t.size, "sha256": t.sha256} for t in index.texts],
        "files": [file_out(each) for each in index.files],
    }
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode() + b"\n"


def read_index(data: bytes, where: str = "") -> SetIndex:
    """Read an index strictly: every problem is refused, nothing is repaired.

    Raises InputError: too large, no JSON, an unknown format (both named), a missing or unknown key, a value that can't
    be, a path that is unsafe or equal to another on some file system, parts that do not make up their file.
    """
    if len(data) > limits.SET_INDEX_BYTES:
        raise InputError(f"the set's index is larger than {limits.SET_INDEX_BYTES} bytes", where=where)
    found = json_read.loads(data, where)
    reader = JsonReader("the set's index", where)
    schema = found.get("schema") if isinstance(found, dict) else None
    if not isinstance(schema, str):
        raise reader.wrong("/schema", "is not there: this is no index of a media set")
    if schema != INDEX_SCHEMA:
        raise InputError(
            f"the set's index is of format {visible(schema)[:80]}, this version reads {INDEX_SCHEMA}",
            where=where,
            hint="another version of bundlekeeper made it: bring that version here",
        )
    table = reader.table(found, "", _KEYS)
    by = reader.table(table["manifest"], "/manifest", {"sha256", "sequence"})
    volumes = reader.number(table["volumes"], "/volumes", least=1, most=MAX_VOLUMES)
    rows = reader.array(table["files"], "/files", MAX_FILES)
    index = SetIndex(
        set_id=reader.hexadecimal(table["set"], "/set", 16),
        issuer=reader.hexadecimal(table["issuer"], "/issuer", None),
        sequence=reader.number(table["sequence"], "/sequence", least=1),
        platform=reader.matching(table["platform"], "/platform", _PLATFORM, 64),
        meant_for=reader.text(table["for"], "/for"),
        made=reader.moment(table["made"], "/made"),
        manifest=reader.hexadecimal(by["sha256"], "/manifest/sha256", 64),
        manifest_sequence=reader.number(by["sequence"], "/manifest/sequence"),
        volumes=volumes,
        files=tuple(file_in(reader, row, f"/files/{i}", volumes) for i, row in enumerate(rows)),
        chain=_chain_in(reader, table["ledger"]),
        notes=tuple(reader.text(n, f"/notes/{i}") for i, n in enumerate(reader.array(table["notes"], "/notes", 1000))),
        texts=tuple(
            _text_in(reader, row, f"/texts/{i}", volumes)
            for i, row in enumerate(reader.array(table["texts"], "/texts", MAX_FILES))
        ),
    )
    insist_on_paths(reader, index.files)
    return index


def _text_in(reader: JsonReader, found: object, at: str, volumes: int) -> Text:
    table = reader.table(found, at, {"volume", "path", "size", "sha256"})
    return Text(
        volume=reader.number(table["volume"], f"{at}/volume", most=volumes),
        path=reader.path(table["path"], f"{at}/path"),
        size=reader.number(table["size"], f"{at}/size"),
        sha256=reader.hexadecimal(table["sha256"], f"{at}/sha256", 64),
    )


_KEYS = {
    *("schema", "set", "issuer", "sequence", "platform", "for", "made", "manifest", "volumes"),
    *("ledger", "notes", "files", "texts"),
}
_FILE_KEYS = {"path", "size", "sha256", "role", "family", "version", "common", "parts"}
_PART_KEYS = {"volume", "path", "offset", "size", "sha256", "number"}


def file_out(each: SetFile) -> dict[str, Any]:
    """A file as the documents about a set hold it."""
    return {
        "path": each.path,
        "size": each.size,
        "sha256": each.sha256,
        "role": each.role,
        "family": each.family,
        "version": each.version,
        "common": each.common,
        "parts": [
            {
                "volume": p.volume,
                "path": p.path,
                "offset": p.offset,
                "size": p.size,
                "sha256": p.sha256,
                "number": p.number,
                **({"through": p.through} if p.through else {}),
            }
            for p in each.parts
        ],
    }


def file_in(reader: JsonReader, found: object, at: str, volumes: int, *, read: bool = True) -> SetFile:
    """A file as `file_out` wrote it. Not `read`: in a plan, where the parts of a split file have no digests yet.

    Raises InputError for what cannot be, and for parts that do not make up their file.
    """
    table = reader.table(found, at, _FILE_KEYS)
    role = reader.text(table["role"], f"{at}/role")
    if role not in ROLES:
        raise reader.wrong(f"{at}/role", f"is {visible(role)[:40]}, one of {', '.join(ROLES)} is due")
    rows = reader.array(table["parts"], f"{at}/parts", MAX_VOLUMES)
    split = len(rows) > 1 and table["common"] is not True
    each = SetFile(
        path=reader.path(table["path"], f"{at}/path"),
        size=reader.number(table["size"], f"{at}/size"),
        sha256=reader.hexadecimal(table["sha256"], f"{at}/sha256", 64),
        role=role,
        family=reader.text(table["family"], f"{at}/family", empty=True),
        version=reader.text(table["version"], f"{at}/version", empty=True),
        common=reader.boolean(table["common"], f"{at}/common"),
        parts=tuple(
            _part_in(reader, row, f"{at}/parts/{i}", volumes, read=read or not split, split=split)
            for i, row in enumerate(rows)
        ),
    )
    _insist_on_parts(reader, each, at, volumes)
    return each


def _part_in(reader: JsonReader, found: object, at: str, volumes: int, *, read: bool, split: bool) -> FilePart:
    through = split and isinstance(found, dict) and "through" in found
    table = reader.table(found, at, _PART_KEYS | {"through"} if through else _PART_KEYS)
    return FilePart(
        volume=reader.number(table["volume"], f"{at}/volume", least=1, most=volumes),
        path=reader.path(table["path"], f"{at}/path"),
        offset=reader.number(table["offset"], f"{at}/offset"),
        size=reader.number(table["size"], f"{at}/size"),
        sha256=reader.hexadecimal(table["sha256"], f"{at}/sha256", 64) if read or table["sha256"] != "" else "",
        number=reader.number(table["number"], f"{at}/number", least=1),
        through=reader.hexadecimal(table["through"], f"{at}/through", 64) if through else "",
    )


def _chain_in(reader: JsonReader, found: object) -> Chain | None:
    if found is None:
        return None
    table = reader.table(found, "/ledger", {"book", "count", "head"})
    return Chain(
        book=reader.hexadecimal(table["book"], "/ledger/book", None),
        count=reader.number(table["count"], "/ledger/count"),
        head=reader.hexadecimal(table["head"], "/ledger/head", 64),
    )


def _insist_on_parts(reader: JsonReader, each: SetFile, at: str, volumes: int) -> None:
    """A common file is whole on every volume; any other is its parts, one after the other, with no gap."""
    if each.common:
        right = [(v, each.path, 0, each.size, each.sha256, 1) for v in range(1, volumes + 1)]
        if [(p.volume, p.path, p.offset, p.size, p.sha256, p.number) for p in each.parts] != right:
            raise reader.wrong(f"{at}/parts", "are not the whole file on every volume")
        return
    reached = 0
    for number, part in enumerate(each.parts, 1):
        if (part.number, part.offset) != (number, reached) or (part.size == 0 and each.size > 0):
            raise reader.wrong(f"{at}/parts/{number - 1}", "does not follow the part before it")
        reached += part.size
    if not each.parts or reached != each.size:
        raise reader.wrong(f"{at}/parts", f"make up {reached} bytes of {each.size}")
    if len(each.parts) == 1 and (each.parts[0].path, each.parts[0].sha256) != (each.path, each.sha256):
        raise reader.wrong(f"{at}/parts/0", "is the whole file, and has another path or digest")
    first, last = each.parts[0], each.parts[-1]
    if each.split and first.through and first.through != first.sha256:
        raise reader.wrong(f"{at}/parts/0/through", "is not the digest of the part that the file begins with")
    if each.split and last.through and last.through != each.sha256:
        raise reader.wrong(f"{at}/parts/{len(each.parts) - 1}/through", "is not the digest of the whole file")


def insist_on_paths(reader: JsonReader, files: Iterable[SetFile]) -> None:
    """Insist that no two files are one on some file system, neither in the set nor on one volume. Raises InputError."""
    seen: dict[tuple[int, str], str] = {}
    for each in files:
        for volume, path in [(0, each.path), *((p.volume, p.path) for p in each.parts)]:
            key = (volume, "/".join(collision_key(name) for name in path.split("/")))
            if key in seen:
                raise reader.wrong("/files", f"hold {visible(path)} and {visible(seen[key])}, one name on some systems")
            seen[key] = path
