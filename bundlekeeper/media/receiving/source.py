"""The volumes of a media set as a source of bundles, so that they are added with all guarantees of `store add`.

Rules: a bundle is offered from the place that the signed index states, and from any file of its size with a name that
the index does not have; a file that is cut short is reported and not offered; a split file is offered when all its
parts were received and verified, and is then verified as a whole; signatures must be the bytes that the index names.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

from bundlekeeper.media.receiving.find_volumes import FoundVolume
from bundlekeeper.media.receiving.join_parts import JoinedFile, Joining
from bundlekeeper.media.receiving.payload import Payload, place_of
from bundlekeeper.model.media.index import FilePart, SetFile, SetIndex
from bundlekeeper.store.adding.sources import Fetched, FileOffer, FolderSource, FoundFile, Link, SourceError, WantedFile
from bundlekeeper.store.disk.walk import WalkEntry
from bundlekeeper.store.signatures.sidecar_files import ABSENT, SignatureFile
from bundlekeeper.verification.hashing.door import SHA256, digest_fd
from bundlekeeper.verification.hashing.read import Stop

if TYPE_CHECKING:
    from bundlekeeper.store.disk.temp_files import Incoming


class SetSource:
    """A `BundleSource` over the volumes of one set."""

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
        self._bundles = {(file.sha256, file.size): file for file in index.files if file.role == "bundle"}
        self._signatures = {file.path: file for file in index.files if file.role == "signature"}
        self._name = index.name

    @property
    def place(self) -> str:
        """The set's name and where its volumes are."""
        return ", ".join(str(volume.root) for volume in self._payload.volumes) or self._name

    @property
    def host(self) -> str:
        """Empty: a volume is no host, and its files are read one after the other."""
        return ""

    def close(self) -> None:
        """Do nothing: the caller closes what is open."""

    def survey(self, wanted: Sequence[WantedFile]) -> tuple[str, ...]:
        """Do nothing: everything was looked at when the volumes were found."""
        return ()

    def find(self, wanted: WantedFile) -> FoundFile:
        """The offers of the volumes for a bundle."""
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
            (FileOffer(f"{self._name}, joined from {len(each.parts)} parts", name, each.size, True, JoinedFile(each)),)
        )

    def _offer(self, volume: FoundVolume, entry: WalkEntry, *, named: bool) -> FileOffer:
        return FileOffer(place_of(volume, entry), entry.name, entry.size, named, entry)

    def signature(self, wanted: WantedFile, offer: FileOffer | None) -> SignatureFile:
        """The signature beside the bundle in the index, its bytes verified by the index's digest."""
        each = self._bundles.get((wanted.sha256, wanted.size))
        if each is None or not wanted.signature:
            return ABSENT
        path = f"{each.path.rpartition('/')[0]}/{wanted.signature}"
        signature = self._signatures.get(path)
        if signature is None:
            return ABSENT
        data = self._payload.small(signature) or self._kept(signature)
        if data is not None:
            return SignatureFile(data, f"{self._name}: {path}")  # a bare path would mean a place in the store
        if any(self._payload.at(part) for part in signature.parts):
            message = f"the signature {path} is not what the set's index names"
            return SignatureFile(None, path, message, "bad-signature")
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
        """Copy one offer into the store's incoming folder. Raises as `BundleSource.fetch`."""
        if isinstance(offer.ref, JoinedFile) and self._joining is not None:
            known = self._joining.digest(offer.ref.file)
            temp = self._joining.hand_over(offer.ref.file)
            if known is not None and set(algorithms) <= set(known.hexes):
                return Fetched(temp, known, "copy", f"joined from {len(offer.ref.file.parts)} parts")
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
            return Fetched(temp, digest, "copy", f"joined from {len(offer.ref.file.parts)} parts")
        bare = FolderSource(self._payload.volumes[0].root)  # it reads any entry of a walk
        fetched = bare.fetch(
            offer, wanted, incoming, limit=limit, link=link, on_bytes=on_bytes, stop=stop, algorithms=algorithms
        )
        if not fetched.changed:
            self._payload.was_read(offer.place, fetched.digest.sha256)
        return fetched
