"""What components exist and run: the inventory's words as types, each key of a component declared once.

Rules: None is "not known" and never means zero, no or good; the empty text is "known to be none" (a file writes it
`-`); a component *is* its hardware serial, else its parent's serial with kind and position, and its place is only an
attribute; versions are kept as read; readers, writers, comparisons and the ledger treat a key as it is declared, and
none of them lists the keys. Plain dataclasses, no heavy library: asking *where* imports this module.
The format is in the handbook (`inventory`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, Field, field, fields
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import HALVES, KINDS

FORMAT = 1

NONE = ""  # known to be none, as against None: not known
EVERYWHERE = "*"  # in a policy's scope: every domain
SITE_WHOLE, DOMAIN_WHOLE = "site:", "domain:"  # before the name of what an inventory lists whole


class Compared(StrEnum):
    """What it means when two readings of one component differ in a key."""

    PLACE = "place"  # the component was moved
    VERSION = "version"  # another image is in that bank
    FACT = "fact"  # something else is known of it
    IDENTITY = "identity"  # it would be another component


@dataclass(frozen=True, slots=True)
class ComponentKey:
    """How everything treats one key of a component.

    `cell` names the form of its cells (`inventory.cells`), `words` is the closed list of their values, if there is one.
    Where `recorded`, the value is that of the ledger's last event; else that of the newest reading.
    """

    cell: str
    compared: Compared
    recorded: bool = False
    words: tuple[str, ...] = ()


_DECLARED = "key"


def _place(cell: str) -> dict[str, ComponentKey]:
    return {_DECLARED: ComponentKey(cell, Compared.PLACE, recorded=True)}


def _bank(cell: str) -> dict[str, ComponentKey]:
    return {_DECLARED: ComponentKey(cell, Compared.VERSION, recorded=True)}


def _fact(cell: str, *, recorded: bool = False, words: tuple[str, ...] = ()) -> dict[str, ComponentKey]:
    return {_DECLARED: ComponentKey(cell, Compared.FACT, recorded, words)}


@dataclass(frozen=True, slots=True)
class Place:
    """The place of a component. None is not known, the empty text is known to be none."""

    site: str
    domain: str | None = None
    chassis: str | None = None
    slot: str | None = None

    def path(self) -> str:
        """The place for people: `holm/holm-a/1/3`; what is not known is `?`, what there is none of is `-`."""
        components = (self.site, self.domain, self.chassis, self.slot)
        return "/".join("?" if component is None else component or "-" for component in components)


@dataclass(frozen=True, slots=True)
class Component:
    """One component that has firmware, as in an inventory.

    `slot` is the slot in the chassis; a component of a server may add its position in the server after a slash (`3/1`).
    `boot_files` lists every image file on the component's file system (method `boot-file`), with the running one where
    it is there.
    """

    kind: str = field(metadata=_fact("kind", recorded=True))
    site: str = field(metadata=_place("text"))
    domain: str = field(metadata=_place("text"))  # "" for a component that belongs to no domain
    chassis: str | None = field(default=None, metadata=_place("label"))
    slot: str | None = field(default=None, metadata=_place("label"))
    #: serial of the server or chassis that it sits in
    parent: str | None = field(default=None, metadata=_fact("text", recorded=True))
    model: str | None = field(default=None, metadata=_fact("text", recorded=True))
    serial: str | None = field(default=None, metadata={_DECLARED: ComponentKey("text", Compared.IDENTITY)})
    name: str | None = field(default=None, metadata=_fact("text", recorded=True))  # what people call it: a host name
    tags: tuple[str, ...] | None = field(default=None, metadata=_fact("texts", recorded=True))  # an asset tag, a rack
    active: str | None = field(default=None, metadata=_bank("running"))
    pending: str | None = field(default=None, metadata=_bank("version"))
    #: what was brought to be activated, in whichever bank
    staged: str | None = field(default=None, metadata=_bank("version"))
    spare: str | None = field(default=None, metadata=_bank("version"))
    boot_files: tuple[str, ...] | None = field(default=None, metadata=_bank("versions"))
    pair: str | None = field(default=None, metadata=_fact("label"))  # name of the redundant pair within the domain
    half: str | None = field(default=None, metadata=_fact("choice", words=HALVES))
    healthy: bool | None = field(default=None, metadata=_fact("flag", recorded=True))
    policy: str | None = field(default=None, metadata=_fact("text"))
    cluster: str | None = field(default=None, metadata=_fact("text"))
    variant: str | None = field(default=None, metadata=_fact("text"))  # one of the manifest's variants
    note: str | None = field(default=None, metadata=_fact("note"))

    @property
    def key(self) -> str:
        """What the component *is*: see `identity`."""
        return identity(self)

    @property
    def place(self) -> Place:
        """Where it is."""
        return Place(self.site, self.domain, self.chassis, self.slot)


def coverable(places: Iterable[tuple[str, str]]) -> set[str]:
    """What an inventory with components at these (site, domain) can list whole: `site:X`, `domain:X`."""
    found = set()
    for site, domain in places:
        found.add(SITE_WHOLE + site)
        if domain:
            found.add(DOMAIN_WHOLE + domain)
    return found


def _declared(key: Field[Any]) -> ComponentKey:
    if not isinstance(found := key.metadata.get(_DECLARED), ComponentKey):
        raise TypeError(f"Component.{key.name} does not declare how it is read, compared and recorded")
    return found


#: Every key of a component and how it is treated, in the order in which documents write them.
COMPONENT_KEYS: dict[str, ComponentKey] = {key.name: _declared(key) for key in fields(Component)}
#: Columns of every exported table: when it was made, of which store, and the ledger's head.
EXPORT_COLUMNS = ("exported_at", "exported_from", "ledger_head")
#: Columns of an exported answer that tell how it is known. The readers of tables know them, and take nothing from them.
ANSWER_COLUMNS = (
    "component", "active_since", "active_reported_by", "active_evidence", "record", "some_boot_files", *EXPORT_COLUMNS,
)  # fmt: skip
PLACES = tuple(name for name, key in COMPONENT_KEYS.items() if key.compared is Compared.PLACE)
#: What a row must have; everything else may be not known.
NEEDED = tuple(key.name for key in fields(Component) if key.default is MISSING)


def identity(component: Component) -> str:
    """The component's identity: its serial, else `parent:kind` or `parent:kind:position`, else `@place:kind`.

    The last form depends on the place, so history cannot follow such a component; readers of files refuse it. The
    position is what follows the slash of the slot, because the slot itself belongs to the server or service that the
    component sits in; for kinds with `whole_slot` it is the whole slot. An identity stays when a kind becomes known.
    """
    if component.serial:
        return component.serial
    slot = component.slot or ""
    if component.parent:
        facts = KINDS.get(component.kind)
        position = slot if facts is not None and facts.whole_slot else slot.partition("/")[2]
        return f"{component.parent}:{component.kind}:{position}" if position else f"{component.parent}:{component.kind}"
    return f"@{component.place.path()}:{component.kind}"


@dataclass(frozen=True, slots=True)
class Partition:
    """One partition of a component's own file system; `component` is its serial or identity."""

    component: str
    name: str
    size_bytes: int | None = None
    free_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class Policy:
    """A server's assigned configuration, as far as it names firmware.

    `versions` maps a family (`blade`, `rack`: bundle versions) or a kind (image versions) to the version that it names.
    `scope` lists the domains where this very policy is used, or EVERYWHERE; where it is not known, every domain that
    names it may be touched.
    """

    name: str
    versions: Mapping[str, str] | None = None
    applies: str | None = None  # one of vocabulary.APPLIES
    scope: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class SeparateWindows:
    """Domains that are never in one window."""

    domains: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Server:
    """The components of one server, by what they share. `key` is the server's serial, else its place."""

    key: str
    place: Place
    components: tuple[Component, ...]

    @property
    def policies(self) -> tuple[str | None, ...]:
        """The distinct policies of its components, None where one is not known."""
        return tuple(dict.fromkeys(component.policy for component in self.components))

    @property
    def clusters(self) -> tuple[str | None, ...]:
        """The distinct clusters of its components, None where one is not known."""
        return tuple(dict.fromkeys(component.cluster for component in self.components))


@dataclass(frozen=True, slots=True)
class Inventory:
    """What one reading of one or more sites found. `read_at` is a day (its end, in `zone`) or an aware instant.

    `complete` is what it lists whole, as `site:X` and `domain:X`; everywhere else it lists some of what there is.
    """

    read_at: date | datetime
    zone: str  # IANA name, "UTC" or an offset such as "+02:00"
    components: tuple[Component, ...] = ()
    partitions: tuple[Partition, ...] = ()
    policies: tuple[Policy, ...] = ()
    separate_windows: tuple[SeparateWindows, ...] = ()
    own_kinds: frozenset[str] = field(default=frozenset())  # kinds that came from a manifest's [kind.X]
    complete: tuple[str, ...] = ()

    def whole(self) -> Callable[[str, str], bool]:
        """A function of a site and a domain that is true where it lists all that there is."""
        listed = {(component.site, component.domain) for component in self.components} if self.complete else set()
        sites = {site for site, _ in listed if SITE_WHOLE + site in self.complete}
        domains = {(site, domain) for site, domain in listed if domain and DOMAIN_WHOLE + domain in self.complete}
        return lambda site, domain: site in sites or (site, domain) in domains

    def domains(self) -> tuple[str, ...]:
        """The domains named, in the order of the file; components of no domain are left out."""
        return tuple(dict.fromkeys(component.domain for component in self.components if component.domain))

    def of(self, domain: str) -> tuple[Component, ...]:
        """The components of one domain, in the order of the file."""
        return tuple(component for component in self.components if component.domain == domain)

    def pairs(self, domain: str) -> dict[tuple[str, str], tuple[Component, ...]]:
        """The domain's redundant pairs: (kind, pair name) -> its halves as listed, two or not."""
        found: dict[tuple[str, str], list[Component]] = {}
        for component in self.of(domain):
            if component.pair:
                found.setdefault((component.kind, component.pair), []).append(component)
        return {name: tuple(halves) for name, halves in found.items()}

    def servers(self, domain: str) -> tuple[Server, ...]:
        """The domain's servers: components of servers that share a parent, else a place."""
        found: dict[str, list[Component]] = {}
        for component in self.of(domain):
            if is_of_server(component.kind):
                found.setdefault(server_key(component), []).append(component)
        return tuple(Server(key, _server_place(components), tuple(components)) for key, components in found.items())


def is_of_server(kind: str) -> bool:
    """True for the kinds of components of servers; a manifest's own kind counts as one, the more careful answer."""
    facts = KINDS.get(kind)
    return facts is None or facts.of_server


def server_key(component: Component) -> str:
    """Which server a component belongs to: its parent's serial, else its place without the position in the server.

    A component with neither is a server of its own, so that nothing is grouped by a fact that is not known.
    """
    if component.parent:
        return component.parent
    slot = (component.slot or "").partition("/")[0]
    if not slot:
        return component.key
    return f"@{Place(component.site, component.domain, component.chassis, slot).path()}"


def _server_place(components: list[Component]) -> Place:
    first = components[0]
    slot = None if first.slot is None else first.slot.partition("/")[0]
    return Place(first.site, first.domain, first.chassis, slot)
