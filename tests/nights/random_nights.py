"""One random night: a component as it really is, what is done to it, what somebody records of that, and the twin.

Rules: what is recorded is true, but for an activation that is recorded as done and failed, for what somebody changed
without a word, and for wrong entries, which are taken back; after each event the ledger's answer is compared with the
twin, and the twin with what really is.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random

from bundlekeeper.formats import moments
from bundlekeeper.ledger.ask.types import InBank, Selector, WhereAnswer
from bundlekeeper.ledger.ask.where import where
from bundlekeeper.ledger.event.events import Event, EventKind, Seen
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.model.inventory.types import Place
from tests.nights.twin import NONE, VERSIONS, Possible, Reading, Twin, activated, all_same, every_state, staged

KINDS = {"two-bank": "io-module", "boot-file": "fabric-switch", "overwrite": "domain-manager"}
BEGIN = datetime(2026, 1, 1, tzinfo=UTC)


class DifferenceError(Exception):
    """The ledger's answer is not the twin's."""


@dataclass
class Night:
    """A night of one component; `doubtful` while what is recorded as active does not really run."""

    ledger: Ledger
    rnd: Random
    serial: str
    method: str
    real: Possible
    twin: Twin
    doubtful: bool = False
    minute: int = 0
    told: list[str] = field(default_factory=list)

    @classmethod
    def begin(cls, ledger: Ledger, rnd: Random, serial: str) -> Night:
        """A component as nobody knows it yet."""
        method = rnd.choice(("two-bank", "two-bank", "boot-file", "overwrite"))
        real = rnd.choice(sorted(every_state(method), key=str))
        return cls(ledger, rnd, serial, method, real, Twin(method))

    def record(self, what: EventKind, **more: object) -> str:
        """Record one event; returns its id."""
        self.minute += 1
        at = moments.at(BEGIN + timedelta(minutes=self.minute))
        event = Event(what=what, at=at, reported_by="kim", component=self.serial, kind=KINDS[self.method],
                      method=self.method, **more)  # type: ignore[arg-type]  # fmt: skip
        self.told.append(f"{what} {more}")
        self.ledger.record([event], BEGIN + timedelta(days=1, minutes=self.minute))
        return event.id()

    def observe(self, reading: Reading, place: tuple[str, ...] | None = None) -> None:
        """Record a reading."""
        files = None if reading.files is None else tuple(sorted(reading.files))
        seen = Seen(reading.active, reading.pending, reading.spare, files, reading.staged, reading.healthy)
        self.record(EventKind.OBSERVED, seen=seen, place=Place(*place) if place else None)
        self.twin.observe(reading, place)
        if reading.active is not None:
            self.doubtful = False

    def read(self, *, whole: bool) -> None:
        """What is really there, whole or in part."""
        real, rnd = self.real, self.rnd
        (other,) = real.rest or {NONE} if self.method == "two-bank" else {NONE}
        reading = Reading(active=real.active)
        if self.method == "two-bank" and whole:
            pending, spare = (other, NONE) if real.staged else (NONE, other)
            reading = reading._replace(pending=pending, spare=spare, staged=rnd.choice([None, real.staged]))
        elif self.method == "boot-file" and whole:
            files = real.rest | {real.active}
            reading = reading._replace(files=files, staged=rnd.choice([None, real.staged]))
        elif rnd.random() < 0.3:
            reading = reading._replace(healthy=rnd.random() < 0.8)
        self.observe(reading)

    def step(self) -> None:
        """One thing happens."""
        rnd = self.rnd
        choices = [self._stage, self._activate, self._activate, self._fail, self._silent, self._move, self._mistake]
        choices += [lambda: self.read(whole=False), lambda: self.read(whole=True), self._surprise, self._skip]
        rnd.choice(choices)()

    def _stage(self) -> None:
        if self.method == "overwrite":
            return
        version = self.rnd.choice([v for v in VERSIONS if v not in (self.real.active, self.twin.recorded)])
        bank = "boot_files" if self.method == "boot-file" else self.rnd.choice(["spare", "pending"])
        self.real = staged(self.real, self.method, version)
        self.record(EventKind.STAGED, version=version, bank=bank)
        self.twin.stage(version)

    def _activate(self) -> None:
        """Done, or recorded as done where it failed; never a second time before the first was read back."""
        others = [version for version in VERSIONS if version != self.real.active]
        version = self.rnd.choice(others) if self.method == "overwrite" else self.real.staged
        if not version or self.doubtful:
            return
        self.doubtful = self.rnd.random() < 0.4
        if not self.doubtful:
            self.real = activated(self.real, self.method, version)
        self.record(EventKind.ACTIVATED, version=version)
        self.twin.activate(version)
        is_same = version == self.real.active  # one image in both banks: only who was there knows that it failed
        if self.doubtful and (is_same or self.rnd.random() < 0.3):
            self.record(EventKind.FAILED, version=version, reason="it came back with the old one")
            self.twin.fail(version)
            self.doubtful = False

    def _fail(self) -> None:
        if self.doubtful:
            return
        version = self.real.staged
        self.record(EventKind.FAILED, version=version, reason="it did not start")
        self.twin.fail(version)

    def _silent(self) -> None:
        self.record(EventKind.NO_ANSWER)
        self.twin.no_answer()

    def _skip(self) -> None:
        self.record(EventKind.SKIPPED, plan="a" * 64, reason="no time was left")

    def _move(self) -> None:
        """Seen elsewhere, or taken out and perhaps put in again."""
        if self.rnd.random() < 0.3:
            self.record(EventKind.GONE)
            self.twin.gone()
            return
        self.observe(Reading(), ("holm", "holm-a", "1", f"io-{self.rnd.randint(1, 2)}"))

    def _surprise(self) -> None:
        """Somebody brings another version without a word; the next reading shows it.

        Not while an activation was not read back: a reading of the old version then means that it never ran.
        """
        is_known = all_same(self.twin.states, lambda state: state.active) is not None
        if self.doubtful or self.twin.without or not is_known:
            return
        version = self.rnd.choice([v for v in VERSIONS if v != self.real.active])
        if self.real.staged not in (NONE, self.real.active) and self.rnd.random() < 0.5:
            version = self.real.staged
        self.real = activated(self.real, self.method, version)
        self.read(whole=False)

    def _mistake(self) -> None:
        """A wrong entry, after which it is taken back."""
        version, rnd = self.rnd.choice(VERSIONS), self.rnd
        what = rnd.choice([EventKind.STAGED, EventKind.ACTIVATED, EventKind.FAILED, EventKind.GONE])
        more: dict[str, object] = {"version": version}
        if what is EventKind.STAGED:
            more["bank"] = "boot_files" if self.method == "boot-file" else "spare"
        elif what is EventKind.FAILED:
            more["reason"] = "of another component"
        wrong = self.record(what, **({} if what is EventKind.GONE else more))
        if rnd.random() < 0.3:
            self._move()
        undo = self.record(EventKind.UNDONE, undoes=wrong, reason="the wrong component")
        if rnd.random() < 0.2:  # an undo of the undo, and again
            again = self.record(EventKind.UNDONE, undoes=undo, reason="it was right")
            self.record(EventKind.UNDONE, undoes=again, reason="it was not")

    def compare(self) -> None:
        """Raise DifferenceError where the answer is not what the twin knows, or the twin is wrong."""
        answers = where(self.ledger, Selector(component=self.serial, gone=True))
        if not answers:
            return
        (answer,) = answers
        wrong = list(self._wrong(answer))
        if not self.doubtful and self.real not in self.twin.states:
            wrong.append(f"the twin excludes what really is: {self.real}")
        if wrong:
            events = "\n  ".join(self.told)
            raise DifferenceError(f"{self.serial} ({self.method}): {'; '.join(wrong)}\n  {events}")

    def _wrong(self, answer: WhereAnswer) -> list[str]:
        states, twin = self.twin.states, self.twin
        place = answer.place
        found = {
            "active": (_known(answer.active), all_same(states, lambda state: state.active)),
            "agreement": (answer.agreement.value, twin.agreement),
            "present": (answer.present, twin.present),
            "healthy": (answer.healthy, twin.healthy),
            "place": (() if place is None else (place.site, place.domain, place.chassis, place.slot), twin.place),
        }
        staged_ = all_same(states, lambda state: state.staged)
        if answer.staged is not None or staged_ or self.method == "two-bank":
            # That nothing is staged can follow for the others from how few states there are: it need not be answered.
            found["staged"] = (_known(answer.staged), staged_)
        wrong = [f"{key} is {ours}, the twin has {theirs}" for key, (ours, theirs) in found.items() if ours != theirs]
        for name, bank in (("pending", answer.pending), ("spare", answer.spare), ("previous", answer.previous)):
            if bank is not None and bank.version and not all(bank.version in state.rest for state in states):
                wrong.append(f"{name} {bank.version} is not known to be there")
        if answer.previous is not None and answer.previous.version:
            taken = {answer.previous.version} & ({state.active for state in states} | {s.staged for s in states})
            if taken and answer.staged is not None:
                wrong.append(f"previous {taken} may be staged or running")
        if self.method == "two-bank" and _known(answer.pending) == _known(answer.spare) == NONE:
            wrong += ["both banks empty"] * any(state.rest for state in states)
        files = {file.version for file in answer.boot_files}
        if not all(files <= state.rest | {state.active} for state in states):
            wrong.append(f"boot files {sorted(files)} are not known to be there")
        return wrong


def _known(bank: InBank | None) -> str | None:
    return None if bank is None else bank.version


def night(ledger: Ledger, rnd: Random, serial: str, *, steps: int) -> int:
    """One night; returns how many answers were compared. Raises DifferenceError."""
    at_work = Night.begin(ledger, rnd, serial)
    both = at_work.real.active in at_work.real.rest  # one image in both banks: nobody can guess that
    if both or rnd.random() < 0.8:
        at_work.read(whole=both or rnd.random() < 0.5)
    compared = 0
    for _ in range(steps):
        before = len(at_work.told)
        at_work.step()
        if len(at_work.told) > before:
            at_work.compare()
            compared += 1
    if rnd.random() < 0.2:  # it is replaced: another serial in its place, which has its own history
        at_work.record(EventKind.GONE)
        at_work.twin.gone()
        at_work.compare()
        compared += 1 + night(ledger, rnd, f"{serial}R", steps=2)
    return compared
