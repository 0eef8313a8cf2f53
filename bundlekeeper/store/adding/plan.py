"""What `store add` has to do for each bundle, from names and `stat` alone; a dry run shows it, a real run follows it.

Rules: nothing is read and nothing is written to find out; a verification that may be relied on saves the read, and in
any doubt the file is read; space is counted before the first byte is copied, by what the file system really has free.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.formats.escape import human_bytes
from bundlekeeper.store.adding.sources import BundleSource, FoundFile, Link, WantedFile
from bundlekeeper.store.contents import place as placing
from bundlekeeper.store.contents import unchanged
from bundlekeeper.store.database.rows import BundleFacts, StoredBundle, Verification
from bundlekeeper.store.disk.files import fingerprint_of
from bundlekeeper.store.disk.filesystem import FsKind
from bundlekeeper.store.disk.temp_files import FOLDER, PREFIX

#: The store database, its journal, notes, folders: space in bytes beyond the bundles' own.
_MARGIN = 1 << 20


class AddingStep(StrEnum):
    """What is to be done for one bundle; the value is the status in a dry run."""

    NOTHING = "already there"
    VERIFY = "to verify"  # something is there, and its bytes must be read
    CLASH = "name in use"  # other bytes, verified by an older manifest, are there
    LINK = "to link"  # the same bytes are in the store under another name
    FETCH = "to add"
    TRY = "to look for"  # no source has the name, but one has files of the size under other names
    MISS = "missing"


@dataclass(frozen=True, slots=True)
class AddingPlan:
    """One bundle's step; `offers` are what each source has, asked here only where it must be fetched."""

    facts: BundleFacts
    step: AddingStep
    offers: tuple[tuple[BundleSource, FoundFile], ...] = ()


@dataclass(frozen=True, slots=True)
class SourceContents:
    """The store database's rows, the kind of file system, and the time."""

    stored: Mapping[str, StoredBundle]
    verifications: Mapping[str, Verification]
    kind: FsKind
    now: datetime

    def settled(self, place: str, status: os.stat_result) -> StoredBundle | None:
        """The row of a file whose verification may be relied on, going by its `stat`; None in any doubt."""
        row, verification = self.stored.get(place), self.verifications.get(place)
        if row is None or verification is None or verification.sha256 != row.sha256:
            return None
        return row if unchanged.may_trust(verification, fingerprint_of(status), self.kind, self.now) else None


def known_steps(root: int | None, contents: SourceContents, facts: Sequence[BundleFacts]) -> dict[str, AddingStep]:
    """By place, the step for each bundle at whose place something is; `root` is None where there is no store.

    Raises RefusedError when something else than a file is there, OSError.
    """
    found = {bundle.place: None if root is None else _step_in_place(root, contents, bundle) for bundle in facts}
    return {place: step for place, step in found.items() if step is not None}


def survey(sources: Sequence[BundleSource], facts: Sequence[BundleFacts], known: Mapping[str, AddingStep]) -> list[str]:
    """Have the sources look for the bundles; what could not be looked at, in sentences. Raises what sources raise."""
    wanted = [wanted_of(bundle, settled=known.get(bundle.place) is AddingStep.NOTHING) for bundle in facts]
    return [sentence for source in sources for sentence in source.survey(wanted)]


def plan(
    contents: SourceContents,
    facts: Sequence[BundleFacts],
    known: Mapping[str, AddingStep],
    sources: Sequence[BundleSource],
) -> tuple[AddingPlan, ...]:
    """Decide each bundle's step, in the manifest's order, from the `known` steps and the surveyed sources.

    Raises what sources raise.
    """
    places: dict[str, set[str]] = {}
    for bundle in contents.stored.values():
        places.setdefault(bundle.sha256, set()).add(bundle.place)
    planned = []
    for bundle_facts in facts:
        step = known.get(bundle_facts.place)
        if step is None:
            # A row for this very place whose file is gone is no other name.
            step = (
                AddingStep.LINK if places.get(bundle_facts.sha256, set()) - {bundle_facts.place} else AddingStep.FETCH
            )
        offers = ask(sources, bundle_facts) if step is AddingStep.FETCH else ()
        if step is AddingStep.FETCH:
            step = _outlook(offers)
        if step is AddingStep.FETCH:
            places.setdefault(bundle_facts.sha256, set()).add(bundle_facts.place)
        planned.append(AddingPlan(bundle_facts, step, offers))
    return tuple(planned)


def ask(sources: Sequence[BundleSource], facts: BundleFacts) -> tuple[tuple[BundleSource, FoundFile], ...]:
    """What each source has for a bundle. Raises what sources raise."""
    return tuple((source, source.find(wanted_of(facts))) for source in sources)


def _outlook(offers: Sequence[tuple[BundleSource, FoundFile]]) -> AddingStep:
    if any(found.offers for _, found in offers):
        return AddingStep.FETCH
    return AddingStep.TRY if any(found.others for _, found in offers) else AddingStep.MISS


def wanted_of(facts: BundleFacts, *, settled: bool = False) -> WantedFile:
    """A bundle as sources look for it; `settled` says that the store has it, verified."""
    return WantedFile(facts.name, facts.size, facts.sha256, facts.signature.file if facts.signature else "", settled)


def _step_in_place(root: int, contents: SourceContents, facts: BundleFacts) -> AddingStep | None:
    """The step for what is at the bundle's place, None where nothing is."""
    with placing.in_place(root, facts.place) as found:
        if found is None:
            return None
        row = contents.settled(facts.place, found.status)
        if row is None:
            return AddingStep.VERIFY
        return AddingStep.NOTHING if row.sha256 == facts.sha256 else AddingStep.CLASH


def bytes_to_read(planned: Sequence[AddingPlan]) -> int:
    """How many bytes the plan expects to read, for progress."""
    return sum(p.facts.size for p in planned if p.step in {AddingStep.FETCH, AddingStep.VERIFY})


def shortage(root: int, planned: Sequence[AddingPlan], link: Link) -> str:
    """By how much what is to be copied cannot fit, in a sentence; empty when it fits. Raises OSError.

    Clones and hard links need no space, and the bytes of an earlier, broken download are there already.
    """
    if link != "none":
        return ""
    return shortage_of(root, sum(p.facts.size - _begun(root, p.facts) for p in planned if p.step is AddingStep.FETCH))


def shortage_of(root: int, need: int) -> str:
    """By how much `need` bytes cannot fit into the store, in a sentence; empty when they fit. Raises OSError."""
    status = os.fstatvfs(root)
    free = (status.f_bfree if os.geteuid() == 0 else status.f_bavail) * status.f_frsize
    short = need + _MARGIN - free
    if not need or not status.f_blocks or short <= 0:  # some file systems of programs report no size at all
        return ""
    needed, there, by = human_bytes(need), human_bytes(free), human_bytes(short)
    return f"not enough space: {needed} to copy, {there} free, short by {by}"


def insist_on_space(root: int, planned: Sequence[AddingPlan], link: Link, where: str) -> None:
    """Raise UnfinishedError when `shortage` says anything."""
    short = shortage(root, planned, link)
    if short:
        raise UnfinishedError(
            short,
            hint="free some space, add fewer bundles, or share the source's blocks with --link; nothing was copied",
            where=where,
        )


def _begun(root: int, facts: BundleFacts) -> int:
    with suppress(OSError):
        partial = f".keeper/{FOLDER}/{PREFIX}{facts.sha256}"
        return min(facts.size, os.stat(partial, dir_fd=root, follow_symlinks=False).st_size)
    return 0
