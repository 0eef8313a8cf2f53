"""One question about gaps while it is answered: what is there, where it is to go, and the tally of what was found.

Rules: parts that are read alike, in servers that are alike, are judged once and told once; every judgement keeps the
keys of all parts that it is about; nothing here judges.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from bundlekeeper.formats.escape import counted, some
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.fleet.domain_state import ComponentReading, DomainState, PartAt, ServerAt, ServerClass
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import ImageOffer, ManifestIndex
from bundlekeeper.planning.fleet.rules import SeenVersion, seen
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.fleet.target import ReleaseTarget
from bundlekeeper.planning.gaps.report import Tally


@dataclass(frozen=True, slots=True)
class GapAnswer:
    """What the user says that no file can. `drivers`: on whose word the hosts' drivers fit the adapters' firmware."""

    drivers: str = ""


@dataclass(frozen=True, slots=True)
class Like:
    """Parts that are read alike: one infrastructure part, or the same part of each server of a class."""

    reading: ComponentReading
    now: SeenVersion
    parts: tuple[PartAt, ...]
    offer: ImageOffer | None  # the image that they are to run
    moves: bool  # False where there is no such image, and where they run it
    after: SeenVersion  # as rules see them when the target is reached

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys of the parts."""
        return tuple(part.key for part in self.parts)


@dataclass(frozen=True, slots=True)
class GapGroup:
    """What is told together: the infrastructure, or the servers of one class. `name` is for people."""

    name: str
    family: str | None
    likes: tuple[Like, ...]
    kin: ServerClass | None = None  # None for the infrastructure
    servers: tuple[ServerAt, ...] = ()

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys of all its parts."""
        return tuple(key for like in self.likes for key in like.keys)

    def named(self, likes: tuple[Like, ...]) -> str:
        """The group's name, with the parts that are meant where they are not all of them."""
        if self.kin is None and len(likes) == 1 and len(likes[0].parts) == 1:
            return part_name(likes[0].parts[0])
        if len(likes) == len(self.likes):
            return self.name
        if self.kin is None:
            names = [f"{len(like.parts)} {like.reading.kind} {like.reading.model or '?'}" for like in likes]
            return f"{self.name}: {', '.join(names)}"
        return f"{self.name}: {', '.join(dict.fromkeys(like.reading.kind for like in likes))}"


@dataclass(frozen=True, slots=True)
class Case:
    """The question."""

    fleet: Fleet
    standing: DomainState
    target: ReleaseTarget
    holdings: Holdings
    now: datetime
    told: GapAnswer
    tally: Tally = field(default_factory=Tally)
    groups: tuple[GapGroup, ...] = ()

    @property
    def book(self) -> ManifestIndex:
        """The manifest's index."""
        return self.fleet.book

    @property
    def domain(self) -> str:
        """The domain's name."""
        return self.standing.domain

    def likes(self) -> Iterator[Like]:
        """Every like of every group."""
        for group in self.groups:
            yield from group.likes


def groups_of(fleet: Fleet, standing: DomainState, target: ReleaseTarget) -> tuple[GapGroup, ...]:
    """The infrastructure, then the servers class by class."""
    own: dict[int, list[PartAt]] = {}
    for part in standing.infrastructure:
        own.setdefault(id(part.reading), []).append(part)
    likes = tuple(_like(fleet, target, parts) for parts in own.values())
    rows = [GapGroup(f"{standing.domain}: infrastructure", INFRASTRUCTURE, likes)] if likes else []
    return (*rows, *(_class(fleet, standing.domain, target, kin, servers) for kin, servers in standing.classes))


def _like(fleet: Fleet, target: ReleaseTarget, parts: list[PartAt]) -> Like:
    reading = parts[0].reading
    offer = target.offer(reading)
    after = seen(_after(fleet, reading, offer))
    return Like(reading, seen(reading), tuple(parts), offer, _moves(fleet, reading, offer), after)


def _class(
    fleet: Fleet, domain: str, target: ReleaseTarget, kin: ServerClass, servers: tuple[ServerAt, ...]
) -> GapGroup:
    by_reading: dict[int, list[PartAt]] = {}
    for server in servers:
        for part in server.parts:
            by_reading.setdefault(id(part.reading), []).append(part)
    distinct = {id(reading): reading for reading in kin.parts}
    offers = {key: target.offer(reading) for key, reading in distinct.items()}
    after = {key: _after(fleet, reading, offers[key]) for key, reading in distinct.items()}
    at_after = fleet.reader.server_class(kin.family, kin.variant, (after[id(reading)] for reading in kin.parts)).at
    likes = tuple(
        Like(
            reading,
            seen(reading, kin.at),
            tuple(by_reading[key]),
            offers[key],
            _moves(fleet, reading, offers[key]),
            seen(after[key], at_after),
        )
        for key, reading in distinct.items()
    )
    return GapGroup(servers_name(fleet.book, domain, kin, servers), kin.family, likes, kin, servers)


def _after(fleet: Fleet, reading: ComponentReading, offer: ImageOffer | None) -> ComponentReading:
    if offer is None or _stays_ahead(fleet, reading, offer):
        return reading
    return fleet.reader.then(reading, offer.image.version)


def _moves(fleet: Fleet, reading: ComponentReading, offer: ImageOffer | None) -> bool:
    if offer is None or _stays_ahead(fleet, reading, offer):
        return False
    return not fleet.reader.is_at(reading, offer)


def _stays_ahead(fleet: Fleet, reading: ComponentReading, offer: ImageOffer) -> bool:
    """What may run ahead and is newer than the target's stays: it is ahead at no risk (common practice)."""
    if not reading.active or not fleet.book.facts(reading.kind, reading.model).ahead:
        return False
    return fleet.book.scale(reading.kind).compare(reading.active, offer.image.version) == 1


def part_name(part: PartAt) -> str:
    """A part for people: `holm-a 1: io-module RUSH-1`."""
    where = "/".join(p for p in (part.part.chassis, part.part.slot) if p)
    return f"{part.part.domain}{' ' + where if where else ''}: {part.part.kind} {part.part.serial or part.key}"


def servers_name(book: ManifestIndex, domain: str, kin: ServerClass, servers: tuple[ServerAt, ...]) -> str:
    """A class of servers for people, with the models of what comes first in a server.

    `holm-a: holm/holm-a/1/1: 1 blade server MB-2`.
    """
    known = [(book.facts(reading.kind, None).turn, reading.model) for reading in kin.parts if reading.model]
    models = dict.fromkeys(model for turn, model in known if turn == min(known)[0])
    family = f"{kin.family} server" if kin.family else "server"
    labels = some([server.name for server in servers])
    return f"{domain}: {labels}: {counted(len(servers), family)} {' '.join(list(models)[:2])}".rstrip()
