"""One bundle after another: in place already, the same bytes elsewhere in the store, or from a source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.model.findings import Finding, Level, finding
from bundlekeeper.model.progress import Clock, Progress
from bundlekeeper.proof.digests import digest_fd
from bundlekeeper.proof.reading import Stop, TooLong
from bundlekeeper.store import placing, quarantine
from bundlekeeper.store.catalogue import Catalogue
from bundlekeeper.store.facts import Facts
from bundlekeeper.store.filesystem import describe_fd
from bundlekeeper.store.incoming import Incoming
from bundlekeeper.store.sources import Fetched, Link, Offer, Source, SourceError, Wanted

if TYPE_CHECKING:
    from bundlekeeper.store.layout import Store


@dataclass(frozen=True, slots=True)
class TakeRow:
    """What came of one bundle.

    `status` is taken, already held, same bytes, quarantined, missing or failed; `read_bytes` how many bytes were read
    for it; `came_from` and `note` are for people.
    """

    family: str
    version: str
    name: str
    place: str
    status: str
    size: int
    read_bytes: int = 0
    way_in: str = ""
    came_from: str = ""
    note: str = ""


class Taking:
    """The state of one take."""

    def __init__(
        self,
        store: Store,
        room: Incoming,
        catalogue: Catalogue,
        sources: Sequence[Source],
        facts: Sequence[Facts],
        clock: Clock,
        progress: Progress,
        link: Link,
        stop: Stop | None,
    ) -> None:
        self.store, self.room, self.catalogue, self.sources = store, room, catalogue, sources
        self.facts, self.clock, self.progress, self.link, self.stop = facts, clock, progress, link, stop
        self.held = {row.place: row for row in catalogue.held()}
        self.proofs = catalogue.proofs()
        self.stable = describe_fd(store.fd).stable_identity
        self.rows: list[TakeRow] = []
        self.findings: list[Finding] = []
        self._read = 0

    def one(self, facts: Facts, unseen: Sequence[str]) -> None:
        """Take one bundle. Raises as `take`."""
        self._read = 0
        self.progress.file(facts.name)
        status, way_in, came_from, note = self._settled(facts) or self._from_sources(facts, unseen)
        self.rows.append(
            TakeRow(
                facts.family,
                facts.version,
                facts.name,
                facts.place,
                status,
                facts.size,
                self._read,
                way_in,
                came_from,
                note,
            )
        )

    def _count(self, count: int) -> None:
        self._read += count
        self.progress.advance(count)

    def _settled(self, facts: Facts) -> tuple[str, str, str, str] | None:
        with placing.in_place(self.store.fd, facts) as found:
            if found is None:
                return None
            row, proof = self.held.get(facts.place), self.proofs.get(facts.place)
            if row and proof and row.sha256 == proof.sha256 == facts.sha256 and placing.unchanged(proof, found.status):
                return "already held", row.way_in, row.taken_from, ""
            began = self.clock()
            digest = digest_fd(found.fd, size_hint=found.status.st_size, on_bytes=self._count, stop=self.stop)
            if digest.sha256 == facts.sha256:
                import os

                held = row or facts.held(taken_at=began, taken_from="", way_in="found")
                new = placing.proof_of_read(
                    digest.sha256,
                    found.status,
                    os.fstat(found.fd),
                    began,
                    self.clock(),
                    shared=held.shared,
                    stable=self.stable,
                )
                self.catalogue.record_held(held, new)
                return "already held", held.way_in, held.taken_from, "proven again"
            wrong = quarantine.Wrong(facts, digest.size, digest.sha256, facts.place, "the file in the store was wrong")
            quarantine.move_in(self.store.fd, self.room, found.folder, wrong, self.clock())
            self.catalogue.forget(facts.place)
            self.findings.append(finding("altered", facts.name, "the file in the store was wrong"))
        return None

    def _from_sources(self, facts: Facts, unseen: Sequence[str]) -> tuple[str, str, str, str]:
        wanted = Wanted(facts.name, facts.size, facts.sha256)
        status = "missing"
        obstacles = list(unseen)
        for source in self.sources:
            found = source.find(wanted)
            obstacles.extend(found.obstacles)
            for offer in found.offers:
                try:
                    fetched = source.fetch(
                        offer,
                        wanted,
                        self.room,
                        limit=facts.size * 2 + (1 << 26),
                        link=self.link,
                        on_bytes=self._count,
                        stop=self.stop,
                    )
                except (SourceError, TooLong) as error:
                    self.findings.append(finding("unreadable", facts.name, str(error)))
                    continue
                with fetched.temp:
                    if self._matches(facts, offer, fetched):
                        self._publish(facts, offer, fetched)
                        return "taken", fetched.way_in, offer.place, fetched.note
                    if offer.named:
                        status = "quarantined"
        if status == "missing":
            self.findings.append(finding("missing", facts.name, "; ".join(obstacles) or "no source has it"))
        return status, "", "", ""

    def _matches(self, facts: Facts, offer: Offer, fetched: Fetched) -> bool:
        if fetched.digest.size == facts.size and fetched.digest.sha256 == facts.sha256:
            if not offer.named:
                self.findings.append(finding("misnamed", facts.name, f"taken from {offer.place}", level=Level.WARNING))
            return True
        if offer.named:
            code = (
                "truncated"
                if fetched.digest.size < facts.size
                else "extended"
                if fetched.digest.size > facts.size
                else "altered"
            )
            wrong = quarantine.Wrong(facts, fetched.digest.size, fetched.digest.sha256, offer.place, code)
            quarantine.keep(self.store.fd, self.room, wrong, fetched.temp, self.clock())
            self.findings.append(finding(code, facts.name, f"{offer.place} is not the manifest's"))
        return False

    def _publish(self, facts: Facts, offer: Offer, fetched: Fetched) -> None:
        shared = fetched.way_in == "hard-link"
        status = placing.put(self.store.fd, facts, fetched.temp, shared=shared)
        held = facts.held(taken_at=self.clock(), taken_from=offer.place, way_in=fetched.way_in)
        proof = placing.proof_of_new(facts.sha256, status, held.taken_at, shared=shared, stable=self.stable)
        self.catalogue.record_held(held, proof)
        self.held[facts.place], self.proofs[facts.place] = held, proof
