"""The volumes of a media set as a source of bundles, so that `take` takes from them with all its guarantees.

Rules: a bundle is offered from where the signed index says it lies, and from any file of its size that the index does
not know by name; a file cut short is told and not offered; a split file is offered once all its parts are in and
proven, and is then proven whole once more; signatures must be the index's own bytes.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING

from bundlekeeper.media.receiving.find_volumes import FoundVolume
from bundlekeeper.media.receiving.join_parts import JoinedFile, Joining
from bundlekeeper.media.volume.bag_text import PAYLOAD
from bundlekeeper.model.media.index import FilePart, SetFile, SetIndex
from bundlekeeper.store.adding.sources import Fetched, FileOffer, FolderSource, FoundFile, Link, SourceError, WantedFile
from bundlekeeper.store.disk.walk import WalkEntry
from bundlekeeper.store.signatures.sidecar_files import ABSENT, SignatureFile
from bundlekeeper.verification.hashing.door import SHA256, digest_fd
from bundlekeeper.verification.hashing.read import Stop

if TYPE_CHECKING:
    from bundlekeeper.store.disk.temp_files import Incoming


#: The largest of what is read whole: a manifest (model.manifest.MAX_BYTES, which costs pydantic to import).
MAX_SMALL_BYTES = 16 * 1024 * 1024


class Payload:
    """Every payload file of the volumes, by where the index knows it and by size where it doesn't."""

    def __init__(self, index: SetIndex, volumes: Sequence[FoundVolume]) -> None:
        self.volumes = volumes
        known = {
            number: {f"{PAYLOAD}/{part.path}" for _, part in index.on(number)} for number in {v.number for v in volumes}
        }
        self._strays: dict[int, list[tuple[FoundVolume, WalkEntry]]] = {}
        self._read: dict[str, str] = {}  # place to SHA-256, so that no stray is read for one file after the other
        self._small: dict[str, bytes | None] = {}
        self._digests = {part.sha256 for each in index.files for part in each.parts}
        for volume in volumes:
            for path, entry in volume.files.items():
                if path not in known[volume.number] and (volume.payload is None or path.startswith(f"{PAYLOAD}/")):
                    self._strays.setdefault(entry.size, []).append((volume, entry))

    def at(self, part: FilePart) -> list[tuple[FoundVolume, WalkEntry]]:
        """The files at the part's path on the volumes with its number, copies of a volume included."""
        there = [(v, v.entry(part.path)) for v in self.volumes if v.number == part.volume]
        return [(volume, entry) for volume, entry in there if entry is not None]

    def strays(self, size: int, sha256: str) -> list[tuple[FoundVolume, WalkEntry]]:
        """Files of this size under names that the index does not know, but for those read and known to be others."""
        return [row for row in self._strays.get(size, []) if self._read.get(place_of(*row), sha256) == sha256]

    def was_read(self, place: str, sha256: str) -> None:
        """The bytes of the file at this place are known."""
        self._read[place] = sha256

    def read_at(self, volume: FoundVolume, entry: WalkEntry) -> str:
        """The SHA-256 of a file that was read here; empty where it was not."""
        return self._read.get(place_of(volume, entry), "")

    def proven(self, volume: FoundVolume, part: FilePart) -> bool:
        """True when the part was read from this volume, under its own name or another, and is right."""
        entry = volume.entry(part.path)
        if entry is not None and self.read_at(volume, entry) == part.sha256:
            return True
        return any(v is volume and self.read_at(v, e) == part.sha256 for v, e in self._strays.get(part.size, []))

    def is_ours(self, volume: FoundVolume, entry: WalkEntry) -> bool:
        """True when a file was read here and is one of the set's, whatever its name."""
        return self.read_at(volume, entry) in self._digests

    def all_for(self, part: FilePart) -> list[tuple[FoundVolume, WalkEntry]]:
        """What may be the part: files of its name and size first, then strays of its size."""
        return [row for row in self.at(part) if row[1].size == part.size] + self.strays(part.size, part.sha256)

    def short(self, part: FilePart) -> list[tuple[FoundVolume, WalkEntry]]:
        """Files of the part's name that are of another size: copies that broke off."""
        return [row for row in self.at(part) if row[1].size != part.size]

    def came(self, part: FilePart) -> bool:
        """True when the volume that holds the part is here."""
        return any(volume.number == part.volume for volume in self.volumes)

    def small(self, each: SetFile) -> bytes | None:
        """The bytes of a small file of the set that are proven to be the index's; None where there are none.

        Every copy on the volumes is read, once.
        """
        if each.path not in self._small:
            self._small[each.path] = None
            for part in each.parts if each.size <= MAX_SMALL_BYTES else ():
                for volume, entry in self.all_for(part):
                    data = _small(entry)
                    if data is not None:
                        self.was_read(place_of(volume, entry), hashlib.sha256(data).hexdigest())
                    if data is not None and self.read_at(volume, entry) == each.sha256:
                        self._small[each.path] = data
        return self._small[each.path]


def _small(entry: WalkEntry) -> bytes | None:
    """The bytes of a small file; None where it can't be read."""
    with suppress(OSError):
        fd = entry.open()
        try:
            with os.fdopen(os.dup(fd), "rb") as file:
                data = file.read(MAX_SMALL_BYTES + 1)
            return data if len(data) <= MAX_SMALL_BYTES else None
        finally:
            with suppress(OSError):  # of a device that is gone
                os.close(fd)
    return None


def place_of(volume: FoundVolume, entry: WalkEntry) -> str:
    """Where a file of a volume is, for people."""
    return f"{volume.root}/{entry.path}"


class SetSource:
    """A `store.sources.Source` over the volumes of one set."""

    def __init__(
        self,
        index: SetIndex,
        payload: Payload,
        joining: Joining | None,
        kept: Callable[[SetFile], bytes | None],
        in_parts: Collection[str] = (),
    ) -> None:
        """`kept` gives the small files that came before; `joining` is None in a dry run, which writes nothing and goes
        by `in_parts`, the paths of the parts that came before."""
        self._in_parts = in_parts
        self._payload, self._joining, self._kept = payload, joining, kept
        self._bundles = {(f.sha256, f.size): f for f in index.files if f.role == "bundle"}
        self._signatures = {f.path: f for f in index.files if f.role == "signature"}
        self._name = index.name

    @property
    def place(self) -> str:
        """The set's name and where its volumes are."""
        return ", ".join(str(volume.root) for volume in self._payload.volumes) or self._name

    @property
    def host(self) -> str:
        """None: a volume is read from beginning to end."""
        return ""

    def close(self) -> None:
        """Nothing: what is open is its maker's."""

    def survey(self, wanted: Sequence[WantedFile]) -> tuple[str, ...]:
        """Everything was looked at when the volumes were found."""
        return ()

    def find(self, wanted: WantedFile) -> FoundFile:
        """What the volumes have of a bundle."""
        each = self._bundles.get((wanted.sha256, wanted.size))
        if each is None:
            return FoundFile()
        if each.split:
            return self._joined(each)
        part = each.parts[0]
        offers = [self._offer(v, e, named=True) for v, e in self._payload.at(part) if e.size == part.size]
        strays = self._payload.strays(part.size, part.sha256)
        return FoundFile(tuple(offers), (), len(strays), 0, partial(self._look, part))

    def _look(self, part: FilePart) -> Iterator[FileOffer]:
        yield from (self._offer(v, e, named=False) for v, e in self._payload.strays(part.size, part.sha256))

    def _joined(self, each: SetFile) -> FoundFile:
        if self._joining is not None:
            ready = self._joining.ready(each)
        else:
            ready = all(part.path in self._in_parts or self._payload.all_for(part) for part in each.parts)
        if not ready:
            return FoundFile()
        name = each.path.rpartition("/")[2]
        return FoundFile(
            (FileOffer(f"{self._name}, joined of {len(each.parts)} parts", name, each.size, True, JoinedFile(each)),)
        )

    def _offer(self, volume: FoundVolume, entry: WalkEntry, *, named: bool) -> FileOffer:
        return FileOffer(place_of(volume, entry), entry.name, entry.size, named, entry)

    def signature(self, wanted: WantedFile, offer: FileOffer | None) -> SignatureFile:
        """The signature beside the bundle in the index, its bytes proven by the index's digest."""
        each = self._bundles.get((wanted.sha256, wanted.size))
        if each is None or not wanted.signature:
            return ABSENT
        path = f"{each.path.rpartition('/')[0]}/{wanted.signature}"
        signature = self._signatures.get(path)
        if signature is None:
            return ABSENT
        data = self._payload.small(signature) or self._kept(signature)
        if data is not None:
            return SignatureFile(data, f"{self._name}: {path}")  # a bare path would mean the store's own place
        if any(self._payload.at(part) for part in signature.parts):
            says = f"the signature {path} is not what the set's index names"
            return SignatureFile(None, path, says, "bad-signature")
        return ABSENT

    def fetch(
        self,
        offer: FileOffer,
        wanted: WantedFile,
        incoming: Incoming,
        *,
        limit: int,
        link: Link,
        on_bytes: Callable[[int], None],
        stop: Stop | None,
        algorithms: Sequence[str] = SHA256,
    ) -> Fetched:
        """Bring one offer in. Raises as the Protocol says."""
        if isinstance(offer.ref, JoinedFile) and self._joining is not None:
            known = self._joining.digest(offer.ref.file)
            temp = self._joining.hand_over(offer.ref.file)
            if known is not None and set(algorithms) <= set(known.hexes):
                return Fetched(temp, known, "copy", f"joined of {len(offer.ref.file.parts)} parts")
            try:
                os.lseek(temp.fd, 0, os.SEEK_SET)
                size = offer.ref.file.size
                digest = digest_fd(temp.fd, algorithms=algorithms, size_hint=size, on_bytes=on_bytes, stop=stop)
            except OSError as error:
                temp.close()
                raise SourceError(f"{offer.place}: {error.strerror}", where=offer.place) from error
            except BaseException:
                temp.keep()
                temp.close()
                raise
            return Fetched(temp, digest, "copy", f"joined of {len(offer.ref.file.parts)} parts")
        bare = FolderSource(self._payload.volumes[0].root)  # it reads any entry of a walk
        fetched = bare.fetch(
            offer, wanted, incoming, limit=limit, link=link, on_bytes=on_bytes, stop=stop, algorithms=algorithms
        )
        if not fetched.changed:
            self._payload.was_read(offer.place, fetched.digest.sha256)
        return fetched
