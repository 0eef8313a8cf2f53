"""`media write --iso`: the volumes of a set as disc images, one file each, from the same packing and under the same
index.

Rules: an image has what a volume on a stick has, in a folder of the same name; it is the same set, with the same id,
whether its volumes are written to sticks or into images; each bundle is read once for its image, and twice only where
it is split and the index is not made yet, or for SHA-512 (the lists are written before the bytes); an image of the set
that is there and whole is verified and not made again; anything else that is there is left as it is.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from bundlekeeper.errors import InputError, KeeperError, UnfinishedError
from bundlekeeper.findings import Finding
from bundlekeeper.media.set.records import Sent
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.media.set.signed_index import begun, kept_index, signed_index
from bundlekeeper.media.volume import bag_text, tag_files
from bundlekeeper.media.volume.folder import Expected
from bundlekeeper.media.volume.own_wheels import expected as expected_tool
from bundlekeeper.media.volume.right_medium import insist_outside
from bundlekeeper.media.writing.existing_image import insist_on_own, verify_there
from bundlekeeper.media.writing.iso import Content, DiscImage, insist_on_library, write_image
from bundlekeeper.media.writing.read_once import Spreading, open_source
from bundlekeeper.media.writing.resume_memory import recall, remember
from bundlekeeper.media.writing.write import WriteMeans
from bundlekeeper.model.media.packing import SetPacking
from bundlekeeper.store.contents.store import Store
from bundlekeeper.verification.hashing.spread import spread


@dataclass(frozen=True, slots=True)
class ImageOrder:
    """What to make: `path` is the image's, with `-NofM` before its ending for several volumes."""

    path: Path
    only: tuple[int, ...] = ()
    sha512: bool = False
    tool: Mapping[str, Path] = field(default_factory=dict)

    @property
    def optional(self) -> tuple[str, ...]:
        """The optional files and folders that volumes get."""
        return tag_files.optional(sha512=self.sha512, tool=bool(self.tool))

    def path_of(self, number: int, volumes: int) -> Path:
        """The path of one volume's image."""
        if volumes == 1:
            return self.path
        return self.path.with_name(f"{self.path.stem}-{number}of{volumes}{self.path.suffix}")


@dataclass(frozen=True, slots=True)
class Imaged:
    """The images of a set that were made or were there, by volume, and what was wrong before the first was made;
    `error` is what ended the work after some were made."""

    sent: Sent
    name: str
    images: tuple[tuple[int, DiscImage], ...]
    findings: tuple[Finding, ...]
    error: KeeperError | None = None


def insist_on_paths(store: Store, packing: SetPacking, order: ImageOrder) -> list[int]:
    """The chosen volumes' numbers, where an image of each can be made or is there.

    Raises InputError for volumes that the packing does not have, a path in the store or where something else is, or
    names that no volume can have; DamagedError.
    """
    insist_on_library()
    total = len(packing.volumes)
    chosen = [n for n in range(1, total + 1) if not order.only or n in order.only]
    if set(order.only) - set(chosen):
        raise InputError(f"the set has no volume {min(set(order.only) - set(chosen))}: it has {total}")
    insist_outside(order.path, store.root)
    if not order.path.parent.is_dir():
        raise InputError(
            "there is no such folder to make images in", where=str(order.path), hint="make it first: mkdir -p DIR"
        )
    sets, digest = Sets(store), packing.sha256
    sent = next((sent for sent in sets.sent() if sent.packing == digest), None)
    signed = None if sent is None else kept_index(sets, sent)
    for number in chosen:
        bag_text.manifest_text({f"{bag_text.PAYLOAD}/{part.path}": "" for _, part in packing.on(number)})
        if order.path_of(number, total).exists():
            insist_on_own(order.path_of(number, total), signed, number)
    return chosen


def write_images(store: Store, packing: SetPacking, order: ImageOrder, means: WriteMeans) -> Imaged:
    """Make the images of the chosen volumes.

    Raises InputError for volumes that the packing does not have, an image that is there or cannot be made,
    RefusedError, UnfinishedError when the store cannot be read or an image not be written, StoppedError.
    """
    chosen = insist_on_paths(store, packing, order)
    sets = Sets(store)
    sent = begun(sets, packing, means)
    tool = expected_tool(order.tool)
    signed, wrong = _signed(store, sets, sent, packing, means, tool)
    if tool and not tag_files.signed_tool(signed.index, tool):
        order = replace(order, tool={})
        wrong = [*wrong, tag_files.tool_left_out()]
    images: list[tuple[int, DiscImage]] = []
    for number in chosen:
        try:
            image = _one(store, packing, signed, number, order, means)
            if not image.findings and not (image.there and number in sent.written):
                sent = sets.wrote(sent, number, means.clock())
        except KeeperError as e:
            if not images:
                raise
            return Imaged(sent, signed.index.name, tuple(images), tuple(wrong), e)
        images.append((number, image))
    return Imaged(sent, signed.index.name, tuple(images), tuple(wrong))


def _one(
    store: Store, packing: SetPacking, signed: tag_files.SignedIndex, number: int, order: ImageOrder, means: WriteMeans
) -> DiscImage:
    """Make one image, or verify the one that is there."""
    path = order.path_of(number, len(packing.volumes))
    if path.exists():
        return verify_there(path, signed, number, order.optional, means.progress, means.stop)
    return write_image(
        path,
        f"{signed.index.name}-{number}".replace("-", "_"),
        signed.index.folder(number),
        _contents(store, packing, signed, number, order, means),
        progress=means.progress,
        stop=means.stop,
    )


def _signed(
    store: Store, sets: Sets, sent: Sent, packing: SetPacking, means: WriteMeans, tool: Mapping[str, Expected]
) -> tuple[tag_files.SignedIndex, Sequence[Finding]]:
    """The set's index, made now where it was not made before."""
    kept = kept_index(sets, sent)
    if kept is not None:
        return kept, ()
    known = recall(store, sent)
    spreading = Spreading(store, packing, ("sha256",), means, known.parts, lambda: remember(store, sent, known))
    wrong = spreading.run(())
    try:
        return signed_index(sets, sent, packing, means, known.parts, tool), wrong
    except UnfinishedError as e:
        raise UnfinishedError(e.message, hint=e.hint, where=e.where, problems=wrong) from e


def _contents(
    store: Store, packing: SetPacking, signed: tag_files.SignedIndex, number: int, order: ImageOrder, means: WriteMeans
) -> dict[str, Content]:
    """Every file of a volume, by its path in the volume's folder."""
    sources = {packed_file.file.path: packed_file.source for packed_file in packing.files}
    found: dict[str, Content] = {}
    for each, part in signed.index.on(number):
        opener = partial(_open_at, store, sources[each.path], part.offset)
        digests = {"sha256": part.sha256}
        if order.sha512:
            digests["sha512"] = _sha512(opener, part.size, means)
        found[f"{bag_text.PAYLOAD}/{part.path}"] = Content(Expected(part.size, digests), opener)
    tool = {}
    for name, path in order.tool.items():
        data = path.read_bytes()
        tool[f"{tag_files.TOOL}/{name}"] = Content(_of(data), partial(os.open, path, os.O_RDONLY | os.O_CLOEXEC))
    texts = tag_files.tag_files(
        signed,
        number,
        {path: each.expected for path, each in found.items()},
        {path: each.expected for path, each in tool.items()},
    )
    texts[bag_text.DECLARATION] = bag_text.declaration().encode()
    return {**found, **tool, **{name: Content(_of(data), partial(_memory, data)) for name, data in texts.items()}}


def _of(data: bytes) -> Expected:
    return Expected(len(data), {"sha256": hashlib.sha256(data).hexdigest()})


def _open_at(store: Store, source: str, offset: int) -> int:
    fd = open_source(store, source)
    os.lseek(fd, offset, os.SEEK_SET)
    return fd


def _memory(data: bytes) -> int:
    """A descriptor at the beginning of these bytes."""
    fd = os.memfd_create("volume")
    os.pwrite(fd, data, 0)
    return fd


def _sha512(opener: partial[int], size: int, means: WriteMeans) -> str:
    digest = hashlib.sha512()
    try:
        fd = opener()
        try:
            spread(fd, (), size=size, hashes=[digest], stop=means.stop)
        finally:
            os.close(fd)
    except OSError as e:
        raise UnfinishedError(f"the store's file cannot be read: {e.strerror}") from e
    return digest.hexdigest()
