"""What of a media set was received: updated from the store's own state by every run; and what each volume gave.

Rules: a bundle counts as received while it is in the store, and no longer; its date is that of the read that verified
it; a bundle that was in the store before the set came is marked so; a part counts while the file being joined has it; a
volume counts as received when all of its files are; a file that was received already is not read from a volume again,
and that copy is then not judged.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, finding
from bundlekeeper.media.receiving.find_volumes import FoundVolume
from bundlekeeper.media.receiving.payload import Payload
from bundlekeeper.media.set.records import IN_STORE_BEFORE, VERIFIED_HERE, Arrived, ReceivedSet
from bundlekeeper.model.media.index import FilePart, SetFile, SetIndex

if TYPE_CHECKING:
    from bundlekeeper.store.adding.outcome import AddRow
    from bundlekeeper.store.database.rows import BundleFacts

#: The statuses of `store add` for a bundle that is in the store, verified.
IN = frozenset({"added", "already there", "same bytes"})


@dataclass(frozen=True, slots=True)
class VolumeRow:
    """One volume that was here: its folder, its number, and its files.

    Of `files`, `verified` were read here and are right; `stored` were received already and were not read from it.
    """

    root: str
    number: int
    verified: int
    files: int
    stored: int = 0


@dataclass(frozen=True, slots=True)
class AddedByPlace:
    """What adding to the store gave: the row of each bundle, by place, and when each was verified."""

    rows: Mapping[str, AddRow]
    verified_at: Mapping[str, datetime]

    def is_new(self, place: str) -> bool:
        """True when the bundle was added in this run."""
        return place in self.rows and self.rows[place].status == "added"

    def arrived(self, each: SetFile, place: str, began: datetime, now: datetime) -> Arrived | None:
        """The entry of a bundle that is in the store at this place; None where it is not."""
        row = self.rows.get(place)
        if row is None or row.status not in IN:
            return None
        at = now if row.status == "added" else self.verified_at.get(place, now)
        return Arrived(each.path, each.sha256, VERIFIED_HERE if at >= began else IN_STORE_BEFORE, at)


def updated_record(
    index: SetIndex,
    received: ReceivedSet,
    facts: Mapping[str, BundleFacts],
    added: AddedByPlace,
    payload: Payload,
    *,
    begun: Callable[[SetFile], int],
    keep: Callable[[SetFile, bytes], None],
    now: datetime,
) -> ReceivedSet:
    """The record of the set after adding.

    `facts` are the manifest's bundles by their path in the set, `begun` gives the bytes of a split file that were
    joined, `keep` keeps a small file for later volumes. Raises what `keep` raises.
    """
    arrived: dict[str, Arrived] = {}
    for each in index.files:
        was = received.arrived.get(each.path)
        if each.role == "bundle":
            entry = added.arrived(each, facts[each.path].place, received.began, now) if each.path in facts else None
            if entry is not None:
                arrived[each.path] = was if was is not None and not added.is_new(facts[each.path].place) else entry
            continue
        data = payload.small(each)
        if data is not None:
            keep(each, data)
        if was is not None or data is not None:
            arrived[each.path] = was or Arrived(each.path, each.sha256, VERIFIED_HERE, now)
    parts = {
        part.path: received.parts[part.path]
        for file in index.files
        if file.split and (file.path in arrived or begun(file))
        for part in file.parts
        if part.path in received.parts
    }
    seen = {volume.number for volume in payload.volumes} | set(received.volumes)
    whole = {n for n in seen if all(is_in(each, part, arrived, parts) for each, part in index.on(n))}
    return replace(
        received,
        arrived=arrived,
        parts=parts,
        volumes={n: received.volumes.get(n, now) for n in sorted(whole)},
        completed=(received.completed or now) if len(arrived) == len(index.files) else None,
    )


def is_in(each: SetFile, part: FilePart, arrived: Collection[str], parts: Collection[str]) -> bool:
    """True when a part of a file was received, or the whole file."""
    return each.path in arrived or (each.split and part.path in parts)


def volume_rows(index: SetIndex, received: ReceivedSet, payload: Payload) -> Iterator[VolumeRow]:
    """What each volume that is here gave."""
    for volume in payload.volumes:
        rows = list(index.on(volume.number))
        verified = [payload.verified(volume, part) for _, part in rows]
        stored = [
            not good and is_in(each, part, received.arrived, received.parts)
            for (each, part), good in zip(rows, verified, strict=True)
        ]
        yield VolumeRow(str(volume.root), volume.number, sum(verified), len(rows), sum(stored))


def why_missing(part: FilePart, payload: Payload, reported: Collection[str]) -> Iterator[Finding]:
    """Why a part did not arrive although its volume is here, unless its path or name was `reported` already."""
    name = part.path.rpartition("/")[2]
    if part.path in reported or name in reported:
        return
    roots = ", ".join(str(v.root) for v in payload.volumes if v.number == part.volume)
    again = f"copy the whole of volume {part.volume} again"
    short = payload.short(part)
    if short:
        volume, entry = short[0]
        code = "truncated" if entry.size < part.size else "extended"
        message = f"{volume.root}/{entry.path}: {entry.size} bytes, the set's index says {part.size}"
        yield finding(code, part.path, message, again)
        return
    yield finding("missing", part.path, f"not on volume {part.volume} ({roots}), under any name", again)


def small_damage(index: SetIndex, payload: Payload) -> Iterator[Finding]:
    """Findings about small files of the volumes, signatures and manifests, that differ from the index."""
    for file in index.files:
        if file.role == "bundle":
            continue
        payload.small(file)
        for part in file.parts:
            for volume, entry in payload.at(part):
                found = payload.read_at(volume, entry)
                if found and found != part.sha256:
                    message = (
                        f"{volume.root}/{entry.path}: SHA-256 {found[:12]}…, the set's index says {part.sha256[:12]}…"
                    )
                    yield finding("altered", part.path, message, f"copy volume {part.volume} again")


def without_renamed(findings: Sequence[Finding], volumes: Sequence[FoundVolume], payload: Payload) -> list[Finding]:
    """The findings without "extra" for files of the set under another name: those are reported as misnamed."""
    known = {
        f"{volume.root.name}/{entry.path}"
        for volume in volumes
        for entry in volume.files.values()
        if payload.is_ours(volume, entry)
    }
    return [problem for problem in findings if problem.code != "extra" or problem.subject not in known]
