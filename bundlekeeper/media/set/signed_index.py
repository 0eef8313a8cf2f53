"""The index of a set that goes out: made once, signed once, kept, and the same on every volume.

Rules: it is made only when the digest of every part is known from a read of this store's own file; what was missing
when the set was packed is written into it as notes, so that the receiver knows it, too; it names the texts and programs
that people read and run; the kept index goes out again only when its own signature shows that it is what was signed,
and is read only when that or the digests in the set's record show it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

from bundlekeeper.errors import DamagedError, KeeperError, RefusedError, StoppedError, UnfinishedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.ledger.event.chain import Head
from bundlekeeper.media.set.records import DAMAGED, Sent
from bundlekeeper.media.set.remembered_sets import INDEX, SIGNATURE, Sets, digests_of
from bundlekeeper.media.volume.folder import Expected
from bundlekeeper.media.volume.tag_files import SignedIndex, with_texts
from bundlekeeper.model.media.index import Chain, PartDigests, SetFile, SetIndex, read_index, write_index
from bundlekeeper.model.media.packing import SetPacking
from bundlekeeper.model.progress import Clock
from bundlekeeper.model.trust import NAMESPACES

if TYPE_CHECKING:
    from collections.abc import Iterable

#: Signs an index's bytes; returns the signature's file (SSHSIG in the namespace for indexes).
Sign = Callable[[bytes], bytes]


class IndexMeans(Protocol):
    """What is needed to make an index."""

    @property
    def clock(self) -> Clock:
        """The time now."""

    @property
    def sign(self) -> Sign:
        """Signs its bytes."""

    @property
    def head(self) -> Head:
        """The ledger's state now."""


def begun(sets: Sets, packing: SetPacking, means: IndexMeans) -> Sent:
    """The set of this packing, begun now where it was not begun before. Raises as `Sets` does."""
    return sets.begin(
        issuer=means.head.ledger,
        packing=packing.sha256,
        platform=packing.platform,
        meant_for=packing.meant_for,
        volumes=len(packing.volumes),
        manifest=packing.manifest,
        at=means.clock(),
    )


def kept_index(sets: Sets, sent: Sent) -> SignedIndex | None:
    """The index that was made and signed before; None where there is none yet.

    Raises DamagedError, whose hint says what to do, where the index or its signature is not what was kept, or is gone
    although volumes were written; and as `Sets` does.
    """
    return _kept_index(sets, sent, signer_of)


def _kept_index(sets: Sets, sent: Sent, insist: Callable[[bytes, bytes], object]) -> SignedIndex | None:
    """`insist` raises KeeperError where an index and its signature are not what was signed."""
    kept = sets.sent_index(sent)
    if kept is None:
        if sent.written:
            raise _damaged(sets, sent, "is gone, although volumes of the set were written")
        return None
    try:
        insist(*kept)
        index = read_index(kept[0])
    except StoppedError:
        raise
    except KeeperError as e:
        raise _damaged(sets, sent, f"is damaged: {e.message}") from e
    if (index.set_id, index.volumes) != (sent.set_id, sent.volumes):
        raise _damaged(sets, sent, "is of another set")
    return SignedIndex(index, *kept)


def index_or_finding(sets: Sets, sent: Sent, subject: str) -> tuple[SignedIndex | None, tuple[Finding, ...]]:
    """The same for readers of a receipt: where the index kept here cannot be used, that is a finding, no site's
    fault. What has the digests of the set's record is verified without loading what signatures need (80 ms)."""

    def insist(index: bytes, signature: bytes) -> None:
        if digests_of(index, signature) != sent.kept:
            signer_of(index, signature)

    try:
        return _kept_index(sets, sent, insist), ()
    except DamagedError as error:
        message = f"the receipt cannot be compared with what was sent: {error.message} ({error.where})"
        return None, (finding("not-checked", subject, message, error.hint),)


def signer_of(data: bytes, signature: bytes) -> str:
    """The fingerprint of the key that signed an index; whether anybody trusts that key is not checked.

    Raises KeeperError where the signature is not one of these bytes.
    """
    from bundlekeeper.verification.signatures import sshsig

    found = sshsig.parse(signature)
    key = found.key()
    digests = {name: sshsig.digest_of(data, name) for name in sshsig.HASHES}
    sshsig.verify(found, key=key, namespace=NAMESPACES["indexes"], digests=digests)
    return key.fingerprint


def _damaged(sets: Sets, sent: Sent, message: str) -> DamagedError:
    folder = sets.folder_of(sent)
    return DamagedError(
        f"the set's index, as it was signed, {message}",
        where=f"{folder}/{INDEX}",
        hint=f"copy {INDEX} and {SIGNATURE} there from a volume that went out; if none did: "
        f"mv {folder} {folder}{DAMAGED}",
    )


def signed_index(
    sets: Sets,
    sent: Sent,
    packing: SetPacking,
    means: IndexMeans,
    parts: Mapping[str, Mapping[int, PartDigests]],
    tool: Mapping[str, Expected],
) -> SignedIndex:
    """Make, sign and keep the index; `parts` holds the digests of the parts of split files, by path and number, `tool`
    the tool's files, by their paths on a volume.

    Raises UnfinishedError when the digest of some part is not known, what `sign` raises, and as `Sets` does.
    """
    index = SetIndex(
        set_id=sent.set_id,
        issuer=sent.issuer,
        sequence=sent.sequence,
        platform=packing.platform,
        meant_for=packing.meant_for,
        made=means.clock(),
        manifest=packing.manifest,
        manifest_sequence=packing.manifest_sequence,
        volumes=len(packing.volumes),
        files=tuple(_with_parts(packed_file.file, parts) for packed_file in packing.files),
        chain=Chain(means.head.ledger, means.head.count, means.head.digest),
        notes=tuple(_notes(packing)),
    )
    index = with_texts(index, tool)
    data = write_index(index)
    signature = means.sign(data)
    try:
        sets.keep_sent_index(sent, data, signature)
    except RefusedError:
        kept = kept_index(sets, sent)
        if kept is None:
            raise
        return kept  # another process, which writes other volumes of the set, was faster
    return SignedIndex(index, data, signature)


def _with_parts(file: SetFile, parts: Mapping[str, Mapping[int, PartDigests]]) -> SetFile:
    if not file.split:
        return file
    digests = parts.get(file.path, {})
    lacking = [part for part in file.parts if part.number not in digests]
    if lacking:
        raise UnfinishedError(
            f"part {lacking[0].number} of {file.path} could not be read, so the set's index cannot be signed",
            where=file.path,
            hint="check the file in the store: bundlekeeper verify; then write again",
        )
    return replace(file, parts=tuple(replace(part, **digests[part.number]._asdict()) for part in file.parts))


def _notes(packing: SetPacking) -> Iterable[str]:
    for missing in packing.missing[:1000]:
        yield f"{missing.code}: {missing.subject}: {missing.message}"[:4096]
