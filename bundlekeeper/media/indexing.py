"""The index of a set that goes out: made once, signed once, kept, and the same on every volume.

Rules: it is made only when every part's digest is known from a read of this store's own file; what was missing when the
set was planned is written into it as notes, so that the receiver knows, too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

from bundlekeeper.errors import RefusedError, UnfinishedError
from bundlekeeper.ledger.chain import Head
from bundlekeeper.media.set_records import Sent
from bundlekeeper.media.sets import Sets
from bundlekeeper.media.tags import Signed
from bundlekeeper.model.media import Chain, PartDigests, SetFile, SetIndex, read_index, write_index
from bundlekeeper.model.media_plan import SetPlan
from bundlekeeper.model.progress import Clock

if TYPE_CHECKING:
    from collections.abc import Iterable

#: Signs an index's bytes; returns the signature's file (SSHSIG in the namespace for indexes).
Sign = Callable[[bytes], bytes]


class IndexMeans(Protocol):
    """What an index is made with."""

    @property
    def clock(self) -> Clock:
        """The time now."""

    @property
    def sign(self) -> Sign:
        """Signs its bytes."""

    @property
    def head(self) -> Head:
        """The ledger's state now."""


def begun(sets: Sets, plan: SetPlan, means: IndexMeans) -> Sent:
    """The set that this plan is, begun now where it was not before. Raises as `Sets` does."""
    return sets.begin(
        issuer=means.head.book,
        plan=plan.sha256,
        platform=plan.platform,
        meant_for=plan.meant_for,
        volumes=len(plan.volumes),
        manifest=plan.manifest,
        at=means.clock(),
    )


def kept_index(sets: Sets, sent: Sent) -> Signed | None:
    """The index that was made and signed before; None where there is none yet. Raises as `Sets` does."""
    kept = sets.sent_index(sent)
    return None if kept is None else Signed(read_index(kept[0]), *kept)


def signed_index(
    sets: Sets, sent: Sent, plan: SetPlan, means: IndexMeans, parts: Mapping[str, Mapping[int, PartDigests]]
) -> Signed:
    """Make, sign and keep the index; `parts` holds the digests of the parts of split files, by path and number.

    Raises UnfinishedError when the digest of some part is not known, what `sign` raises, and as `Sets` does.
    """
    index = SetIndex(
        set_id=sent.set_id,
        issuer=sent.issuer,
        sequence=sent.sequence,
        platform=plan.platform,
        meant_for=plan.meant_for,
        made=means.clock(),
        manifest=plan.manifest,
        manifest_sequence=plan.manifest_sequence,
        volumes=len(plan.volumes),
        files=tuple(_with_parts(each.file, parts) for each in plan.files),
        chain=Chain(means.head.book, means.head.count, means.head.digest),
        notes=tuple(_notes(plan)),
    )
    data = write_index(index)
    signature = means.sign(data)
    try:
        sets.keep_sent_index(sent, data, signature)
    except RefusedError:
        kept = kept_index(sets, sent)
        if kept is None:
            raise
        return kept  # another process wrote other volumes of the set, and was faster
    return Signed(index, data, signature)


def _with_parts(each: SetFile, parts: Mapping[str, Mapping[int, PartDigests]]) -> SetFile:
    if not each.split:
        return each
    digests = parts.get(each.path, {})
    lacking = [part for part in each.parts if part.number not in digests]
    if lacking:
        raise UnfinishedError(
            f"part {lacking[0].number} of {each.path} could not be read, so the set's index cannot be signed",
            where=each.path,
            hint="bundlekeeper check tells whether the store's file is whole; then write again",
        )
    return replace(each, parts=tuple(replace(part, **digests[part.number]._asdict()) for part in each.parts))


def _notes(plan: SetPlan) -> Iterable[str]:
    for each in plan.missing[:1000]:
        yield f"{each.code}: {each.subject}: {each.says}"[:4096]
