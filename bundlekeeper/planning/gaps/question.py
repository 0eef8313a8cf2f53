"""One question about gaps while it is answered: what is there, where it is to go, and the tally of what was found.

Rules: components that are read alike, in servers that are alike, are judged once and reported once; every judgement
keeps the keys of all components that it is about; nothing here judges.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import field
from datetime import datetime

from bundlekeeper.formats.escape import counted, some
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.fleet.domain_state import (
    ComponentReading,
    DomainState,
    PlacedComponent,
    ServerAt,
    ServerClass,
)
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import ImageOffer, ManifestIndex
from bundlekeeper.planning.fleet.rules import SeenVersion, seen
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.fleet.target import ReleaseTarget
from bundlekeeper.planning.gaps.report import Tally


@dataclass(frozen=True, slots=True)
class GapAnswer:
    """What the user says that no file can. `drivers`: reported by whom the hosts' drivers fit the adapters'
    firmware."""

    drivers: str = ""


@dataclass(frozen=True, slots=True)
class Like:
    """Components that are read alike: one infrastructure component, or the same component of each server of a class."""

    reading: ComponentReading
    now: SeenVersion
    components: tuple[PlacedComponent, ...]
    offer: ImageOffer | None  # the image that they are to run
    moves: bool  # False where there is no such image, and where they run it
    after: SeenVersion  # as rules see them when the target is reached

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys of the components."""
        return tuple(component.key for component in self.components)


@dataclass(frozen=True, slots=True)
class GapGroup:
    """What is reported together: the infrastructure, or the servers of one class. `name` is for people."""

    name: str
    family: str | None
    likes: tuple[Like, ...]
    server_class: ServerClass | None = None  # None for the infrastructure
    servers: tuple[ServerAt, ...] = ()

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys of all its components."""
        return tuple(key for like in self.likes for key in like.keys)

    def named(self, likes: tuple[Like, ...]) -> str:
        """The group's name, with the components that are meant where they are not all of them."""
        if self.server_class is None and len(likes) == 1 and len(likes[0].components) == 1:
            return component_name(likes[0].components[0])
        if len(likes) == len(self.likes):
            return self.name
        if self.server_class is None:
            names = [f"{len(like.components)} {like.reading.kind} {like.reading.model or '?'}" for like in likes]
            return f"{self.name}: {', '.join(names)}"
        return f"{self.name}: {', '.join(dict.fromkeys(like.reading.kind for like in likes))}"


@dataclass(frozen=True, slots=True)
class Case:
    """The question."""

    fleet: Fleet
    state: DomainState
    target: ReleaseTarget
    holdings: Holdings
    now: datetime
    answer: GapAnswer
    tally: Tally = field(default_factory=Tally)
    groups: tuple[GapGroup, ...] = ()

    @property
    def manifest_index(self) -> ManifestIndex:
        """The manifest's index."""
        return self.fleet.manifest_index

    @property
    def domain(self) -> str:
        """The domain's name."""
        return self.state.domain

    def likes(self) -> Iterator[Like]:
        """Every like of every group."""
        for group in self.groups:
            yield from group.likes


def groups_of(fleet: Fleet, state: DomainState, target: ReleaseTarget) -> tuple[GapGroup, ...]:
    """The infrastructure, then the servers class by class."""
    own: dict[int, list[PlacedComponent]] = {}
    for component in state.infrastructure:
        own.setdefault(id(component.reading), []).append(component)
    likes = tuple(_like(fleet, target, components) for components in own.values())
    rows = [GapGroup(f"{state.domain}: infrastructure", INFRASTRUCTURE, likes)] if likes else []
    return (
        *rows,
        *(_class(fleet, state.domain, target, server_class, servers) for server_class, servers in state.classes),
    )


def _like(fleet: Fleet, target: ReleaseTarget, components: list[PlacedComponent]) -> Like:
    reading = components[0].reading
    offer = target.offer(reading)
    after = seen(_after(fleet, reading, offer))
    return Like(reading, seen(reading), tuple(components), offer, _moves(fleet, reading, offer), after)


def _class(
    fleet: Fleet, domain: str, target: ReleaseTarget, server_class: ServerClass, servers: tuple[ServerAt, ...]
) -> GapGroup:
    by_reading: dict[int, list[PlacedComponent]] = {}
    for server in servers:
        for component in server.components:
            by_reading.setdefault(id(component.reading), []).append(component)
    distinct = {id(reading): reading for reading in server_class.components}
    offers = {key: target.offer(reading) for key, reading in distinct.items()}
    after = {key: _after(fleet, reading, offers[key]) for key, reading in distinct.items()}
    at_after = fleet.reader.server_class(
        server_class.family, server_class.variant, (after[id(reading)] for reading in server_class.components)
    ).at
    likes = tuple(
        Like(
            reading,
            seen(reading, server_class.at),
            tuple(by_reading[key]),
            offers[key],
            _moves(fleet, reading, offers[key]),
            seen(after[key], at_after),
        )
        for key, reading in distinct.items()
    )
    return GapGroup(
        servers_name(fleet.manifest_index, domain, server_class, servers),
        server_class.family,
        likes,
        server_class,
        servers,
    )


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
    if not reading.active or not fleet.manifest_index.facts(reading.kind, reading.model).ahead:
        return False
    return fleet.manifest_index.scale(reading.kind).compare(reading.active, offer.image.version) == 1


def component_name(component: PlacedComponent) -> str:
    """A component for people: `holm-a 1: io-module RUSH-1`."""
    where = "/".join(p for p in (component.component.chassis, component.component.slot) if p)
    listed = component.component
    return f"{listed.domain}{' ' + where if where else ''}: {listed.kind} {listed.serial or component.key}"


def servers_name(
    manifest_index: ManifestIndex, domain: str, server_class: ServerClass, servers: tuple[ServerAt, ...]
) -> str:
    """A class of servers for people, with the models of what comes first in a server.

    `holm-a: holm/holm-a/1/1: 1 blade server Tern-2`.
    """
    known = [
        (manifest_index.facts(reading.kind, None).turn, reading.model)
        for reading in server_class.components
        if reading.model
    ]
    models = dict.fromkeys(model for turn, model in known if turn == min(known)[0])
    family = f"{server_class.family} server" if server_class.family else "server"
    labels = some([server.name for server in servers])
    return f"{domain}: {labels}: {counted(len(servers), family)} {' '.join(list(models)[:2])}".rstrip()
