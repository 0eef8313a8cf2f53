"""Turns the states of components into answers: images with their texts, and the events that each rests on.

Rules: words and events are fetched in few questions for all components; what is not known stays None; an image that is
staged is never called previous.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from operator import itemgetter

from bundlekeeper.formats.moments import Moment
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.ask.as_of import StateAsOf
from bundlekeeper.ledger.ask.types import Agreement, BundleOf, Evidence, InBank, WhereAnswer
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import RANK
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, EVIDENCES, PLACE_OF, WHATS, sealed
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.state.banks import Bank, Image
from bundlekeeper.ledger.state.fold import Snapshot
from bundlekeeper.model.inventory.types import Place

_EVIDENCE_COLUMNS = ("seq", "id", "what", "at", "day", "turn", "zone", "reported_by", "done_by", "evidence", "source")
_EVIDENCE = itemgetter(*(PLACE_OF[name] for name in _EVIDENCE_COLUMNS))


@dataclass(frozen=True, slots=True)
class Chosen:
    """One component that is meant, and the bundles of the selector that are on it."""

    state: StateAsOf
    bundles: tuple[BundleOf, ...]


class Answering:
    """Turns chosen components into answers; asks for words and events in few questions."""

    def __init__(self, ledger: Ledger, chosen: Sequence[Chosen]) -> None:
        self.ledger = ledger
        self.chosen = chosen
        self.evidence: dict[int, tuple[tuple[int, int, int, str], Evidence]] = {}
        self._fetch_words()
        self._fetch_events()

    def _fetch_words(self) -> None:
        numbers: set[int | None] = set()
        for chosen in self.chosen:
            numbers.add(chosen.state.component)
            numbers.update(chosen.state.snapshot.words)
        self.ledger.words.fetch({number for number in numbers if number})

    def _fetch_events(self) -> None:
        numbers = sorted({event for chosen in self.chosen for event in _events_of(chosen.state)})
        text, rank = self.ledger.words.text, [RANK[what] for what in WHATS]
        for start in range(0, len(numbers), 500):
            batch = numbers[start : start + 500]
            marks = ",".join("?" * len(batch))
            select = f"SELECT {EVENT_COLUMNS} FROM event WHERE seq IN ({marks})"  # noqa: S608  (question marks only)
            for row in sealed(self.ledger.connection.execute(select, batch)):
                seq, event_id, what, at, day, turn, zone, reported_by, done_by, evidence, source = _EVIDENCE(row)
                found = Evidence(
                    event_id.hex(), WHATS[what], Moment(at, bool(day), text(zone)), text(reported_by),
                    text(done_by) if done_by else "", EVIDENCES[evidence], text(source) if source else "",
                )  # fmt: skip
                self.evidence[seq] = ((at, turn, rank[what], found.id), found)
        if len(self.evidence) != len(numbers):
            raise DATABASE.damaged("events are missing")

    def answers(self) -> Iterator[WhereAnswer]:
        """One answer for each chosen component."""
        maybe = self.ledger.words.maybe
        for chosen in self.chosen:
            state, found = chosen.state, chosen.state.snapshot
            place = None
            if found.site is not None:
                place = Place(maybe(found.site) or "", maybe(found.domain), maybe(found.chassis), maybe(found.slot))
            yield WhereAnswer(
                component=self.ledger.words.text(state.component),
                kind=maybe(found.kind) or "",
                model=maybe(found.model) or "",
                parent=maybe(found.parent) or "",
                place=place,
                present=bool(found.present),
                active=self._bank(found.active),
                pending=self._bank(found.pending),
                spare=self._bank(found.spare),
                boot_files=tuple(
                    sorted((self._image(i, e) for i, e in state.boot_files), key=lambda file: file.version)
                ),
                boot_files_whole=bool(found.boot_files_known),
                recorded=self._bank(found.recorded),
                seen=None if state.seen is None else self.evidence[state.seen][1],
                agreement=self._agreement(state),
                bundles=chosen.bundles,
                name=maybe(found.name) or "",
                tags=tags_of(self.ledger, found),
                staged=self._bank(found.staged),
                previous=self._bank(_previous(state)),
                healthy=None if found.healthy is None else bool(found.healthy),
                missed=next((self.evidence[event][1] for event in _missed(state)), None),
            )

    def _bank(self, bank: Bank) -> InBank | None:
        if bank is None:
            return None
        image, event = bank
        return InBank("", self.evidence[event][1]) if image is None else self._image(image, event)

    def _image(self, image: Image, event: int) -> InBank:
        version, family, bundle, sha256 = (self.ledger.words.text(n) if n else "" for n in image)
        return InBank(version, self.evidence[event][1], family, bundle, sha256)

    def _agreement(self, state: StateAsOf) -> Agreement:
        recorded, seen = state.snapshot.recorded, state.seen
        if state.snapshot.failed is not None:
            return Agreement.ACTIVATION_FAILED
        if state.snapshot.no_answer is not None:
            return Agreement.NO_ANSWER
        if recorded is None:
            return Agreement.NOTHING if seen is None else Agreement.ONLY_READ
        if seen is None:
            return Agreement.ONLY_RECORDED
        if state.snapshot.differs:
            return Agreement.DIFFERS
        later = self.evidence[seen][0] > self.evidence[recorded[1]][0]
        return Agreement.AGREES if later else Agreement.NOT_READ_BACK


def tags_of(ledger: Ledger, found: Snapshot) -> tuple[str, ...]:
    """The tags of a component. Raises DamagedError."""
    return () if found.tags is None else tuple(json.loads(ledger.words.text(found.tags)))


def _previous(state: StateAsOf) -> Bank:
    """The spare image, else the boot file, that neither runs nor is to run: the one that ran before, or the only one.

    Known to be none where another image is in the spare bank, or none; None where it is not known, or there are several
    files.
    """
    found, spare = state.snapshot, state.snapshot.spare
    taken = {bank[0][0] for bank in (found.active, found.staged, found.pending) if bank is not None and bank[0]}
    if spare is not None and spare[0] is not None and spare[0][0] not in taken:
        return spare
    if state.boot_files and found.active is None:  # one of the files runs, and nobody has read which
        return None
    files = [(image, event) for image, event in state.boot_files if image[0] not in taken]
    before = found.ran_before[0] if found.ran_before is not None else None
    last = [(image, event) for image, event in files if before is not None and image[0] == before[0]]
    if last or len(files) == 1:
        return (last or files)[0]
    return None if files or spare is None else (None, spare[1])


def _missed(state: StateAsOf) -> tuple[int, ...]:
    """The event of a try that failed and of a silence, while nothing else was heard since."""
    found = state.snapshot
    return tuple(event for event in (found.failed, found.no_answer) if event is not None)


def _events_of(state: StateAsOf) -> Iterator[int]:
    found = state.snapshot
    banks = (found.active, found.pending, found.spare, found.staged, found.recorded)
    yield from (bank[1] for bank in banks if bank is not None)
    yield from (event for _, event in state.boot_files)
    yield from _missed(state)
    if state.seen is not None:
        yield state.seen
