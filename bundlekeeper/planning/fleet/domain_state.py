"""The state of a domain: the bundles that each component, each server and each class of servers is at.

Rules: a component is at bundle B when B lists exactly its active version for its kind and model; it may be at several,
or at none, and that is never assumed to be good. "Exactly" is decided by the order of the kind's image versions
([kind.X] order, else the manifest's): a bundle that lists the very text wins, else one that lists an equal version (6.1
= 6.1.0). A version that the order cannot place equals only its own text. A server is at B when every component that B
covers is, and B covers at least one; a patch covers what its base covers. Else it is mixed, and rules must hold for the
lowest and the highest bundle found: the ends of the narrowest stretch of bundles in which each of its components is at
one (of equally narrow stretches the lowest), because a component whose image did not change for years is not "found" at
the oldest of its bundles. A component of which something is not known keeps its server from being at any bundle. A
server has the variant that its own components name, else the one that the infrastructure of its domain names; where two
are named, none is known. Which components make a server comes from the inventory; a doubt is reported, nothing is
guessed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory.types import Component, Place, server_key
from bundlekeeper.model.vocabulary import INFRASTRUCTURE, SERVER_FAMILIES
from bundlekeeper.planning.fleet.manifest_index import ImageOffer, ManifestIndex, is_part, suits

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle

#: What keeps a component from being at a bundle.
NO_VERSION = "active"  # the active version is not known
NO_MODEL = "model"  # the model is not known
NO_FAMILY = "family"  # whether it is a blade or a rack server's is not known
NO_VARIANT = "variant"  # its family is published in variants, and which one it takes is not known
UNORDERED = "unordered"  # no bundle lists the very text, and the order cannot place it
UNLISTED = "unlisted"  # it can be placed, and no bundle lists it


@dataclass(frozen=True, slots=True)
class ComponentReading:
    """What a component is read as; components that agree in all of it share one object.

    `variant` is the one that it takes of its family, empty where that has none, None where it is not known. `bundles`
    are the versions of the family's bundles that it is at, lowest first. `lack` is empty where there is one, else one
    of the words above.
    """

    family: str | None
    variant: str | None
    kind: str
    model: str | None
    active: str | None
    bundles: tuple[str, ...]
    lack: str


@dataclass(frozen=True, slots=True)
class PlacedComponent:
    """One component with what it is read as. `key` is its identity (model.inventory)."""

    component: Component
    key: str
    reading: ComponentReading


@dataclass(frozen=True, slots=True)
class At:
    """Which bundle versions something is at, as rules ask for it.

    Each of `readings` must satisfy a rule, by any one of its versions: one reading where the thing is at those
    bundles, two (the lowest and the highest bundle found) where it is mixed, none where no bundle was found.
    `certain` is False where a part of it is at no bundle that is known, so that no answer is sure.
    """

    readings: tuple[tuple[str, ...], ...]
    certain: bool

    @property
    def bundles(self) -> tuple[str, ...]:
        """The bundles that it is at: empty where it is mixed or not known."""
        return self.readings[0] if self.certain and len(self.readings) == 1 else ()

    @property
    def mixed(self) -> bool:
        """True when it is at no bundle though every part of it is."""
        return self.certain and len(self.readings) > 1


@dataclass(frozen=True, slots=True)
class ServerClass:
    """What servers of the same family, variant, models and versions have in common.

    `components` are the readings of one server's components, sorted; a server with two like adapters has two like
    readings.
    """

    family: str | None
    variant: str | None
    components: tuple[ComponentReading, ...]
    at: At


@dataclass(frozen=True, slots=True)
class ServerAt:
    """One server. `key` is its serial, else its place (`server_key`)."""

    key: str
    place: Place
    components: tuple[PlacedComponent, ...]
    server_class: ServerClass

    @property
    def family(self) -> str | None:
        """Blade or rack; None where it is not known."""
        return self.server_class.family

    @property
    def name(self) -> str:
        """The server for people: `holm/holm-a/1/3`."""
        return server_name(self.key, self.place)

    @property
    def called(self) -> str:
        """What people call it, a host name; empty where nobody said."""
        return next((found.component.name for found in self.components if found.component.name), "")


@dataclass(frozen=True, slots=True)
class Pair:
    """One redundant pair, with the halves that are listed, be they two or not."""

    kind: str
    name: str
    halves: tuple[PlacedComponent, ...]

    @property
    def chassis(self) -> tuple[str, ...]:
        """The chassis that its halves are known to be in, empty for none; more than one is no redundancy in either."""
        return tuple(
            dict.fromkeys(
                component.component.chassis for component in self.halves if component.component.chassis is not None
            )
        )


@dataclass(frozen=True, slots=True)
class Doubt:
    """A fact of grouping that is not known: `fact` names the field, `components` are those it is lacking for."""

    fact: str
    message: str
    components: tuple[PlacedComponent, ...]


@dataclass(frozen=True, slots=True)
class DomainState:
    """One domain as it is. `families` are those that it has, in the manifest's usual order; `variant` is what its
    infrastructure names, None where it names none."""

    domain: str
    variant: str | None
    infrastructure: tuple[PlacedComponent, ...]
    servers: tuple[ServerAt, ...]
    classes: tuple[tuple[ServerClass, tuple[ServerAt, ...]], ...]
    pairs: tuple[Pair, ...]
    families: tuple[str, ...]
    doubts: tuple[Doubt, ...]

    @property
    def components(self) -> tuple[PlacedComponent, ...]:
        """Every component: infrastructure first, then server by server."""
        return (*self.infrastructure, *(component for server in self.servers for component in server.components))


class StateReader:
    """Reads components and servers of any number of domains by one manifest; like ones are read once."""

    def __init__(self, manifest_index: ManifestIndex) -> None:
        self.manifest_index = manifest_index
        self._readings: dict[tuple[str | None, ...], ComponentReading] = {}
        self._classes: dict[tuple[str | None, str | None, tuple[ComponentReading, ...]], ServerClass] = {}
        self._ranks: dict[str, dict[str, int]] = {}

    def reading(
        self, family: str | None, variant: str | None, kind: str, model: str | None, active: str | None
    ) -> ComponentReading:
        """What a component of that family, variant, kind, model and active version is read as."""
        key = (family, variant, kind, model, active)
        if key not in self._readings:
            bundles, lack = self._bundles_of(family, variant, kind, model, active)
            self._readings[key] = ComponentReading(family, variant, kind, model, active, bundles, lack)
        return self._readings[key]

    def then(self, reading: ComponentReading, active: str) -> ComponentReading:
        """What the same component is read as when it runs that version."""
        return self.reading(reading.family, reading.variant, reading.kind, reading.model, active)

    def _bundles_of(
        self, family: str | None, variant: str | None, kind: str, model: str | None, active: str | None
    ) -> tuple[tuple[str, ...], str]:
        if not active:
            return (), NO_VERSION
        if model is None:
            return (), NO_MODEL
        if family is None:
            return (), NO_FAMILY
        if variant is None:
            return (), NO_VARIANT
        offers = self.manifest_index.offers(family, variant, kind, model)
        scale = self.manifest_index.scale(kind)
        found = [offer for offer in offers if offer.image.version == active]
        found = found or [offer for offer in offers if scale.same(offer.image.version, active)]
        if found:
            return tuple(dict.fromkeys(offer.bundle.version for offer in found)), ""
        return (), UNLISTED if scale.key(active) is not None else UNORDERED

    def server_class(
        self, family: str | None, variant: str | None, readings: Iterable[ComponentReading]
    ) -> ServerClass:  # fmt: skip
        """The class of a server with components that are read so."""
        components = tuple(sorted(readings, key=_sorting))
        key = (family, variant, components)
        if key not in self._classes:
            self._classes[key] = ServerClass(family, variant, components, self._server_at(family, variant, components))
        return self._classes[key]

    def _server_at(self, family: str | None, variant: str | None, components: Sequence[ComponentReading]) -> At:
        """The bundles that a server of these components is at, by the trade's definition."""
        if family is None or variant is None:
            return At((), certain=False)
        unclear = [
            reading
            for reading in components
            if reading.model is None and self.manifest_index.may_list_kind(family, reading.kind)
        ]
        at = [
            bundle.version
            for bundle in self.manifest_index.bundles(family)
            if suits(bundle, variant) and not is_part(bundle) and self._covers_all(bundle, components)
        ]
        if at and not unclear:
            return At((tuple(dict.fromkeys(at)),), certain=True)
        sets = [reading.bundles for reading in components if reading.bundles]
        if not sets:
            return At((), certain=False)
        lacking = [
            reading
            for reading in components
            if reading.lack
            and reading.model is not None
            and self.manifest_index.offers(family, variant, reading.kind, reading.model)
        ]
        low, high = self._stretch(family, sets)
        return At(((low,), (high,)), certain=not lacking and not unclear)

    def _covers_all(self, bundle: Bundle, components: Sequence[ComponentReading]) -> bool:
        """True when the bundle covers some of the components, and each component that it covers is at it."""
        whole = self.manifest_index.whole(bundle)
        covered = 0
        for component in components:
            offer = whole.get((component.kind, component.model)) if component.model is not None else None
            if offer is None:
                continue
            if not self.is_at(component, offer):
                return False
            covered += 1
        return covered > 0

    def is_at(self, reading: ComponentReading, offer: ImageOffer) -> bool:
        """True when the component runs exactly the image that the offer brings."""
        if reading.active is None or offer.bundle.version not in reading.bundles:
            return False
        return self.manifest_index.scale(reading.kind).same(reading.active, offer.image.version)

    def rank(self, family: str, version: str) -> int:
        """The place of a bundle version among the family's, from 0 for the oldest; -1 for no version of a bundle."""
        if family not in self._ranks:
            versions = dict.fromkeys(bundle.version for bundle in self.manifest_index.bundles(family))
            self._ranks[family] = {version: place for place, version in enumerate(versions)}
        return self._ranks[family].get(version, -1)

    def _stretch(self, family: str, sets: Sequence[tuple[str, ...]]) -> tuple[str, str]:
        """The ends of the narrowest stretch of bundles that has one of each set in it; of equal ones the lowest."""
        rows = sorted({tuple(self.rank(family, v) for v in s) for s in sets})
        best: tuple[int, int, int] | None = None
        for low in sorted({rank for row in rows for rank in row}):
            tops = [min((rank for rank in row if rank >= low), default=None) for row in rows]
            if None in tops:
                break
            high = max(top for top in tops if top is not None)
            if best is None or (high - low, low) < best[:2]:
                best = (high - low, low, high)
        names = list(self._ranks[family])
        return (names[best[1]], names[best[2]]) if best else (names[0], names[-1])

    def family_of_server(self, components: Iterable[Component]) -> str | None:
        """Blade or rack: the family whose bundles list most of its components, of equals the one that its place says.

        A chassis means a blade, known to be in none a rack server (common practice); else None.
        """
        rows = tuple(components)
        votes = dict.fromkeys(SERVER_FAMILIES, 0)
        for kind, model in {(component.kind, component.model) for component in rows if component.model is not None}:
            for family in self.manifest_index.families_of(kind, model):
                if family in votes:
                    votes[family] += 1
        most = [family for family, count in votes.items() if count == max(votes.values())]
        if len(most) == 1:
            return most[0]
        places = {component.chassis for component in rows}
        if None in places or len(places) != 1:
            return None
        return "blade" if places.pop() else "rack"


def stands_alone(manifest_index: ManifestIndex, state: DomainState, component: Component) -> bool:
    """True for what is no half of a pair: it says so, or says nothing, nor does any of its kind in the domain, and is
    of a kind that is not usually one, or a manager with a serial and no parent: on a host of its own, so no application
    on other components."""
    if component.pair is not None:
        return not component.pair
    if component.half or any(pair.kind == component.kind for pair in state.pairs):
        return False
    facts = manifest_index.facts(component.kind, component.model)
    return facts.pair is False or (facts.down == "manager" and bool(component.serial) and not component.parent)


def server_name(key: str, place: Place) -> str:
    """A server as every plan and every answer names it: its place as `where` prints it, else its key."""
    return place.path() if place.slot else key


def read_domain(reader: StateReader, domain: str, components: Iterable[Component]) -> DomainState:
    """Read one domain; `components` are all that the inventory lists of it."""
    manifest_index = reader.manifest_index
    own: list[Component] = []
    grouped: dict[str, list[Component]] = {}
    of_server: dict[str, bool] = {}
    for component in components:
        inside = of_server.get(component.kind)
        if inside is None:
            inside = of_server[component.kind] = manifest_index.is_of_server(component.kind)
        if inside:
            grouped.setdefault(server_key(component), []).append(component)
        else:
            own.append(component)
    word = _word(own)
    of_own = manifest_index.variant(INFRASTRUCTURE, word)
    infrastructure = tuple(
        PlacedComponent(
            component,
            component.key,
            reader.reading(INFRASTRUCTURE, of_own, component.kind, component.model, component.active),
        )
        for component in own
    )
    servers = tuple(_server(reader, key, components, word) for key, components in grouped.items())
    classes: dict[ServerClass, list[ServerAt]] = {}
    for server in servers:
        classes.setdefault(server.server_class, []).append(server)
    present: set[str] = {INFRASTRUCTURE} if own else set()
    present |= {server.family for server in servers if server.family is not None}
    return DomainState(
        domain,
        word,
        infrastructure,
        servers,
        tuple((server_class, tuple(rows)) for server_class, rows in classes.items()),
        _pairs((*infrastructure, *(p for server in servers for p in server.components))),
        tuple(f for f in (INFRASTRUCTURE, *SERVER_FAMILIES) if f in present),
        tuple(_doubts(servers)),
    )


def _word(components: Iterable[Component]) -> str | None:
    """The one variant that the components name; None where none does, or where they name two."""
    words = {component.variant for component in components} - {None}
    return words.pop() if len(words) == 1 else None


def _server(reader: StateReader, key: str, components: Sequence[Component], of_domain: str | None) -> ServerAt:
    family = reader.family_of_server(components)
    said = {component.variant for component in components} - {None}
    word = _word(components) if said else of_domain
    variant = None if family is None else reader.manifest_index.variant(family, word)
    rows = tuple(
        PlacedComponent(
            component, component.key, reader.reading(family, variant, component.kind, component.model, component.active)
        )
        for component in components
    )
    first = components[0]
    slot = next((component.slot for component in components if component.slot is not None), None)
    chassis = next((component.chassis for component in components if component.chassis is not None), None)
    place = Place(first.site, first.domain, chassis, None if slot is None else slot.partition("/")[0])
    return ServerAt(key, place, rows, reader.server_class(family, variant, (component.reading for component in rows)))


def _pairs(components: Iterable[PlacedComponent]) -> tuple[Pair, ...]:
    found: dict[tuple[str, str], list[PlacedComponent]] = {}
    for component in components:
        if component.component.pair:
            found.setdefault((component.component.kind, component.component.pair), []).append(component)
    return tuple(Pair(kind, name, tuple(halves)) for (kind, name), halves in found.items())


def _doubts(servers: Sequence[ServerAt]) -> Iterable[Doubt]:
    """What is not known about which components make a server, and which family it is of."""
    at_place: dict[str, list[ServerAt]] = {}
    unplaced = False  # some server is known by its serial only, so it may be at any place
    for server in servers:
        if server.family is None:
            yield Doubt(
                "family", f"whether the server {server.key} is a blade or a rack server is not known", server.components
            )
        placed = bool(server.place.slot) and server.place.chassis is not None
        unplaced |= not placed and any(component.component.parent for component in server.components)
        if placed:
            at_place.setdefault(server.place.path(), []).append(server)
        elif orphans := _orphans([server]):
            yield Doubt(
                "parent", f"which server the {orphans[0].component.kind} {orphans[0].key} is in is not known", orphans
            )
    for path, rows in at_place.items():
        orphans = _orphans(rows)
        if orphans and (len(rows) > 1 or unplaced):
            yield Doubt("parent", f"which server some components at {path} are in is not known", orphans)


def _orphans(servers: Iterable[ServerAt]) -> tuple[PlacedComponent, ...]:
    """The components that name no server; known to be in none counts as naming none."""
    return tuple(component for server in servers for component in server.components if not component.component.parent)


def _sorting(reading: ComponentReading) -> tuple[str, str, str]:
    return (reading.kind, reading.model or "", reading.active or "")
