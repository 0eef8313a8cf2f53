"""What the tests of writing media share: a store with bundles, packings made by hand, a key, one call to write."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.media.volume.right_medium import Expectation
from bundlekeeper.media.writing.write import WriteMeans, WriteOrder, WriteTarget, Written, write_set
from bundlekeeper.model.media.index import FilePart, SetFile
from bundlekeeper.model.media.packing import PackedFile, PackedVolume, SetPacking
from bundlekeeper.model.progress import Silent
from bundlekeeper.store.contents.store import Store
from bundlekeeper.verification.hashing.door import digest_fd
from bundlekeeper.verification.hashing.read import Stop
from bundlekeeper.verification.signatures.sign import sign_document
from tests.kits.store_kit import Kit, now

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
#: Paths of tests stand under /tmp; nothing there is a mount of this machine's own table.
ANYWHERE = Expectation(guarded=(), fstab=Path("/nonexistent"))


def bytes_once(packing: SetPacking) -> int:
    """The bytes of a packing's files, each counted once."""
    return sum(each.file.size for each in packing.files)


def sign(data: bytes) -> bytes:
    """An index's signature by the tests' key."""
    return sign_document(KEY, "indexes", {"sha512": hashlib.sha512(data).hexdigest()})


@dataclass(frozen=True)
class Piece:
    """One bundle of the world: its data, and on which volumes its parts lie, in equal runs."""

    family: str
    version: str
    data: bytes
    volumes: tuple[int, ...] = (1,)

    @property
    def name(self) -> str:
        """The file as published."""
        return f"marram-{self.family}-{self.version}.bin"

    @property
    def path(self) -> str:
        """Where it lies in the store and below a volume's payload folder."""
        return f"{self.family}/{self.version}/{self.name}"


PIECES = (
    Piece("infrastructure", "6.1.0", b"infrastructure" * 40_000),
    Piece("blade", "6.1.0", b"blade" * 50_001),
    Piece("rack", "6.1.0", b"r" * 70_001),
)
SPLIT = (
    Piece("infrastructure", "6.1.0", b"infrastructure" * 40_000, (1,)),
    Piece("blade", "6.1.0", bytes(range(256)) * 25_001, (1, 2, 3)),
    Piece("rack", "6.1.0", b"r" * 70_001, (3,)),
)


class World:
    """A store that holds some pieces, and the packing of a set of them."""

    def __init__(self, base: Path, pieces: Sequence[Piece] = PIECES, volumes: int = 1, *, added: bool = False) -> None:
        self.base = base
        self.pieces = tuple(pieces)
        self.kit = Kit(base)
        if not added:
            self._add()
        self.packing = packing_of(self.kit.root, self.pieces, volumes)

    @classmethod
    def again(cls, base: Path, pieces: Sequence[Piece], volumes: int) -> World:
        """The same world in another process."""
        return cls(base, pieces, volumes, added=True)

    def _add(self) -> None:
        bundles = []
        for each in self.pieces:
            self.kit.offer(each.name, each.data)
            bundles.append(self.kit.bundle(each.name, each.data, family=each.family, version=each.version))
        assert not self.kit.add(*bundles).findings

    def write(self, *targets: Path | str, **options: Any) -> Written:
        """Write the set to these targets (`DIR`, or `N=DIR`); `stop`, `progress` and Order's own options as named."""
        means: dict[str, Any] = {key: options.pop(key) for key in ("stop", "progress", "sign") if key in options}
        packing = options.pop("packing", self.packing)
        order = WriteOrder(tuple(target(each) for each in targets), **{"expected": ANYWHERE, **options})
        with Store.open(self.kit.root, write=True) as store:
            with Ledger.open(self.kit.root / ".keeper/ledger.sqlite", write=True) as ledger:
                head = ledger.head()
            given: dict[str, Any] = {"clock": now, "progress": Silent(), "sign": sign, "head": head, **means}
            return write_set(store, packing, order, WriteMeans(**given))

    def expected(self, volume: int) -> dict[str, bytes]:
        """What the payload of a volume must be, by its path below `data`."""
        found = {}
        for packed_file, part in self.packing.on(volume):
            piece = next((p for p in self.pieces if p.path == packed_file.file.path), None)
            if piece is None:
                found[part.path] = (self.kit.root / packed_file.source).read_bytes()
            else:
                found[part.path] = piece.data[part.offset : part.offset + part.size]
        return found


def target(each: Path | str) -> WriteTarget:
    """`DIR` or `N=DIR`."""
    number, equals, path = str(each).partition("=")
    return WriteTarget(Path(path), int(number)) if equals and number.isdigit() else WriteTarget(Path(each))


def packing_of(root: Path, pieces: Sequence[Piece], volumes: int) -> SetPacking:
    """The packing of a set: every piece with its parts, the manifest on every volume."""
    manifest = next((root / "manifests").glob("*.toml"))
    data = manifest.read_bytes()
    sha256 = hashlib.sha256(data).hexdigest()
    common = SetFile(
        path=f"manifests/{manifest.name}",
        size=len(data),
        sha256=sha256,
        role="manifest",
        common=True,
        parts=tuple(FilePart(v, f"manifests/{manifest.name}", 0, len(data), sha256) for v in range(1, volumes + 1)),
    )
    files = [PackedFile(common, f"manifests/{manifest.name}"), *(PackedFile(_file(p), p.path) for p in pieces)]
    return SetPacking(
        platform="marram",
        meant_for="holm-a",
        manifest=sha256,
        manifest_sequence=1,
        volumes=tuple(PackedVolume(n, "folder", "folder", 1 << 40, 0, 0, 1 << 40) for n in range(1, volumes + 1)),
        files=tuple(files),
    )


def packing_of_one(root: Path, source: str, family: str, version: str) -> SetPacking:
    """The packing of a set of one bundle that a store holds, whatever its size, beside the manifest."""
    sha256 = file_sha256(root / source)
    size = (root / source).stat().st_size
    file = SetFile(source, size, sha256, "bundle", family, version, False, (FilePart(1, source, 0, size, sha256),))
    packing = packing_of(root, (), 1)
    return replace(packing, files=(*packing.files, PackedFile(file, source)))


def _file(piece: Piece) -> SetFile:
    sha256 = hashlib.sha256(piece.data).hexdigest()
    count, parts, at = len(piece.volumes), [], 0
    for number, volume in enumerate(piece.volumes, 1):
        end = len(piece.data) * number // count
        path = piece.path if count == 1 else f"{piece.path}.part-{number:02d}of{count:02d}"
        parts.append(FilePart(volume, path, at, end - at, sha256 if count == 1 else "", number))
        at = end
    return SetFile(piece.path, len(piece.data), sha256, "bundle", piece.family, piece.version, False, tuple(parts))


def payload_of(folder: Path) -> dict[str, bytes]:
    """Every file below a volume's payload folder."""
    data = folder / "data"
    return {p.relative_to(data).as_posix(): p.read_bytes() for p in sorted(data.rglob("*")) if p.is_file()}


def states(written: Written) -> dict[int, str]:
    """What became of each volume, where there is one target."""
    return {copy.volume: copy.state for copy in written.copies}


class Counting:
    """A progress reporter that counts, and can do something at a given number of bytes."""

    def __init__(self, at: int = -1, act: Any = None, begins: Mapping[str, Any] | None = None) -> None:
        self._begins = dict(begins or {})
        self.titles: list[str] = []
        self.done_bytes: Mapping[str, int] | dict[str, int] = {}
        self._at, self._act = at, act

    def begin(self, title: str, total_bytes: int, files: int) -> None:
        """Remember it, and do what was to be done first."""
        self.titles.append(title)
        self._begins.pop(title, lambda: None)()

    def file(self, name: str) -> None:
        """Say nothing."""

    def advance(self, count: int) -> None:
        """Count, by what is being done."""
        title = self.titles[-1]
        self.done_bytes = {**self.done_bytes, title: self.done_bytes.get(title, 0) + count}
        if self._act is not None and 0 <= self._at <= self.done_bytes.get("writing", 0):
            act, self._act = self._act, None
            act()

    def done(self) -> None:
        """Say nothing."""


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, read plainly."""
    fd = os.open(path, os.O_RDONLY)
    try:
        return digest_fd(fd).sha256
    finally:
        os.close(fd)


__all__ = ["ANYWHERE", "KEY", "PIECES", "SPLIT", "Counting", "Piece", "Stop", "World", "payload_of", "sign", "states"]
