"""The signatures of bundles that are added: finding each, ruling on it, and keeping it beside its bundle.

Rules: a signature is looked for where the bundle's bytes come from first; of several the good one counts; it is put
into the store before its bundle and replaces nothing; a bad one is never kept beside a bundle.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from bundlekeeper.findings import Level, finding
from bundlekeeper.store.adding.plan import wanted_of
from bundlekeeper.store.adding.sources import BundleSource, FileOffer
from bundlekeeper.store.database.rows import BundleFacts
from bundlekeeper.store.disk.temp_files import Incoming
from bundlekeeper.store.signatures import sidecar_files
from bundlekeeper.store.signatures.sidecar_files import ABSENT, SignatureFile
from bundlekeeper.store.signatures.voucher import Message, Ruling, Voucher


class BundleSignatures:
    """The signatures for one run of `store add`; `root` is the store's folder, `room` None where nothing is kept."""

    def __init__(
        self, voucher: Voucher, root: int | None, room: Incoming | None, sources: Sequence[BundleSource]
    ) -> None:
        self._voucher = voucher
        self._root = root
        self._room = room
        self._sources = sources
        self._asked: dict[str, dict[tuple[int, str], SignatureFile]] = {}  # by the bundle's place

    def forget(self, facts: BundleFacts) -> None:
        """The bundle is done: forget what the sources had for it."""
        self._asked.pop(facts.place, None)

    def concerns(self, facts: BundleFacts) -> bool:
        """True when the bundle's signature is stated or required."""
        return self._voucher.concerns(facts.family, facts.signature)

    def requires(self, facts: BundleFacts) -> bool:
        """True when the store adds the bundle only with a good signature."""
        return self._voucher.requires(facts.family)

    def algorithms(
        self, facts: BundleFacts, source: BundleSource | None = None, offer: FileOffer | None = None
    ) -> tuple[str, ...]:
        """The digests that a read of the bundle must compute, SHA-256 first; `offer` is where it is read from."""
        if facts.signature is None:
            return ("sha256",)
        first = next(self._candidates(facts, source, offer))
        return ("sha256", *self._voucher.algorithms(facts.signature, first))

    def early_ruling(
        self, facts: BundleFacts, source: BundleSource | None = None, offer: FileOffer | None = None
    ) -> Ruling | None:
        """The ruling where it is certain without the bundle's bytes that they may not be used; else None."""
        if not self.requires(facts):
            return None
        rulings = [
            self._voucher.early_ruling(facts.name, facts.family, facts.signature, file)
            for file in self._candidates(facts, source, offer)
        ]
        return rulings[0] if all(rulings) else None

    def rule_and_keep(
        self,
        facts: BundleFacts,
        digests: Mapping[str, str],
        fd: int,
        source: BundleSource | None = None,
        offer: FileOffer | None = None,
    ) -> Ruling:
        """Rule on the signature of right bytes, open as `fd`, and keep it unless one of the two is refused.

        Raises RefusedError, UnfinishedError, OSError when the store fails.
        """
        message = Message(digests, lambda: os.dup(fd))
        first: tuple[Ruling, SignatureFile] | None = None
        for signature in self._candidates(facts, source, offer):
            ruling = self._voucher.rule(facts.name, facts.family, facts.signature, signature, message, facts.released)
            if ruling.good:
                return self._keep(facts, signature, ruling)
            first = first or (ruling, signature)
        ruling, signature = first or (Ruling(), ABSENT)
        return ruling if ruling.blocks else self._keep(facts, signature, ruling)

    def _candidates(
        self, facts: BundleFacts, source: BundleSource | None, offer: FileOffer | None
    ) -> Iterator[SignatureFile]:
        """The files of the signature's name in the store and in the sources; `ABSENT` where there are none."""
        if facts.signature is None:
            yield ABSENT
            return
        others = (other for other in self._sources if other is not source)
        seen: list[SignatureFile] = []
        for place in ([source] if source is not None else []) + [None, *others]:
            found = self._found(facts, place, offer if place is source else None)
            if found != ABSENT and all(found.data != other.data for other in seen):
                seen.append(found)
                yield found
        if not seen:
            yield ABSENT

    def _found(self, facts: BundleFacts, source: BundleSource | None, offer: FileOffer | None) -> SignatureFile:
        """What the source has, or the store where it is None; a source is asked once for each bundle and offer.

        The answer is kept until `forget`: several bundles are fetched at a time.
        """
        if source is None:
            place = sidecar_files.place_of(facts)
            return ABSENT if self._root is None else sidecar_files.in_store(self._root, place)
        asked = self._asked.setdefault(facts.place, {})
        key = id(source), offer.place if offer is not None else ""
        if key not in asked:
            asked[key] = source.signature(wanted_of(facts), offer)
        return asked[key]

    def _keep(self, facts: BundleFacts, signature: SignatureFile, ruling: Ruling) -> Ruling:
        """Put the signature beside the bundle's place; the ruling, with a finding where that fails."""
        if signature.data is None or self._room is None or self._root is None:
            return ruling
        place = sidecar_files.place_of(facts)
        if signature.place == place or sidecar_files.put(self._root, self._room, place, signature.data):
            return ruling
        required = self.requires(facts)
        message = f"its signature could not be kept: {place} has other bytes, which were not replaced"
        hint = (
            "find out which of the two is right; move the wrong one out of the store by hand, then run store add again"
        )
        level = Level.ERROR if required else Level.WARNING
        found = (*ruling.findings, finding("not-in-store", facts.name, message, hint, level))
        return replace(ruling, word="not-in-store", findings=found, blocks=required)
