"""Maps a service's resources to components: which firmware item is in which bank of which component.

Rules: the user's map comes first, then the relations that the service states, never a name that sounds right; an item
belongs to at least one component, or is unmapped with a reason, or is skipped by the map, and the three numbers add up
to the number of items; two versions for one bank make that bank unknown, unless the component itself states which one
runs; a component without a version is kept with an unknown version: without it later answers would look better. Pure.
Source: DMTF DSP8010 2025.4, SoftwareInventory (from 1.12 Active, Staged, Links.ActiveTargets, Links.StagedTargets);
active, pending: DMTF DSP0267; Manager.Links.ActiveSoftwareImage and Status.State StandbySpare: from memory.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from bundlekeeper.findings import Finding
from bundlekeeper.formats.escape import visible
from bundlekeeper.links.redfish.components import ServiceComponent, ServiceComponents, model_of, text, version
from bundlekeeper.links.redfish.types import Placement, ReadingEvidence, Unmapped, noted
from bundlekeeper.links.redfish.user_map import MapEntry, matches
from bundlekeeper.links.redfish.walk import Resource, Tree, link, links, related
from bundlekeeper.model.inventory.types import Component, is_of_server

_SPARE_STATES = frozenset({"StandbySpare", "StandbyOffline", "Disabled"})
_MADE = "map|"  # how the reference of a component begins that only the map names
_NO_IDENTITY = "its component has no identity: the service gives neither its serial nor its server's serial"


@dataclass(frozen=True, slots=True)
class FirmwareItem:
    """One SoftwareInventory resource, as far as it is used."""

    path: str
    id: str | None
    name: str | None
    version: str | None
    software_id: str | None
    active: bool | None
    staged: bool | None
    state: str | None
    resource: Resource

    def unmapped(self, reason: str, kind: str | None, of: str | None) -> Unmapped:
        """The item in the list of those that cannot be placed."""
        return Unmapped(self.path, self.id, self.name, self.version, self.software_id, reason, kind, of)


@dataclass(frozen=True, slots=True)
class _Claim:
    """An item is in a bank. `sure` where the service or the map states the bank, else it was assumed."""

    item: FirmwareItem
    bank: str
    sure: bool


@dataclass(slots=True)
class Placed:
    """Where a service's items were placed. `skipped` counts items, `nameless` resources that became no component."""

    components: list[Component] = field(default_factory=list)
    unmapped: list[Unmapped] = field(default_factory=list)
    problems: list[Finding] = field(default_factory=list)
    evidence: list[ReadingEvidence] = field(default_factory=list)
    used: set[int] = field(default_factory=set)
    mapped: int = 0
    skipped: int = 0
    nameless: int = 0


def place(tree: Tree, placement: Placement, entries: Sequence[MapEntry] = (), service: str = "") -> Placed:
    """Place everything that was read. `entries` are the user's map, `service` the address that they may name."""
    return _Placing(tree, placement, entries, service).run()


def item_of(resource: Resource) -> FirmwareItem:
    """Read one SoftwareInventory resource; what is null, missing or of the wrong type is None."""
    body = resource.body
    active, staged, status = body.get("Active"), body.get("Staged"), body.get("Status")
    return FirmwareItem(
        resource.path,
        text(body, "Id"),
        text(body, "Name"),
        version(body, "Version"),
        text(body, "SoftwareId"),
        active if isinstance(active, bool) else None,
        staged if isinstance(staged, bool) else None,
        text(status, "State") if isinstance(status, Mapping) else None,
        resource,
    )


class _Placing:
    def __init__(self, tree: Tree, placement: Placement, entries: Sequence[MapEntry], service: str) -> None:
        self.tree = tree
        self.entries = entries
        self.service = service
        self.components = ServiceComponents(tree, placement)
        self.items = {path: item_of(tree.resources[path]) for path in tree.items}
        self.claims: dict[str, list[_Claim]] = {}
        self.reason: dict[str, str] = {}
        self.found = Placed()
        self.whole: dict[str, list[FirmwareItem]] = {}  # items related to a whole system, by the system's path
        self.images = self._images()
        self.managers: dict[str, list[str]] = {}  # by the path of their image
        for manager, image in self.images:
            if manager in self.components.by_ref:
                self.managers.setdefault(image, []).append(manager)
        self.failed: list[tuple[ServiceComponent, set[str], str]] = []  # those not made, their items, the reason

    def run(self) -> Placed:
        """Place every item, then make the components."""
        skipped_components = self._apply_map()
        skipped = {path for path, item in self.items.items() if self._item(item)}
        self._whole_systems()
        mapped: set[str] = set()
        keys: dict[str, str] = {}
        for component in self.components.by_ref.values():
            if component.ref in skipped_components:
                self.reason.update(
                    (claim.item.path, "the map skips its component") for claim in self.claims.get(component.ref, [])
                )
            else:
                mapped |= self._component(component, keys)
        for component, items, reason in self.failed:
            if not items or items & mapped:  # else its items are listed, with the reason
                self._nameless(component, reason)
        for path, item in self.items.items():
            if path not in mapped and path not in skipped:
                reason = self.reason.get(path, "its bank is not known")
                self._not_placed(item.unmapped(reason, *self._draft(item)))
        self.found.mapped = len(mapped)
        self.found.skipped = len(skipped)
        return self.found

    def _images(self) -> dict[tuple[str, str], str]:
        """(component, item) -> bank, as managers and trusted components state it for their own images."""
        found: dict[tuple[str, str], str] = {}
        for manager in (*self.tree.of_type("Manager"), *self.tree.of_type("TrustedComponent")):
            active = self.tree.locate(link(manager.body, "Links", "ActiveSoftwareImage") or "")
            if active is None:
                continue
            for image in links(manager.body, "Links", "SoftwareImages"):
                path = self.tree.locate(image)
                if path is not None:
                    found[manager.path, path] = "spare"
            found[manager.path, active] = "active"
        return found

    def _apply_map(self) -> set[str]:
        """Apply the entries with a component's own address; returns the components to skip."""
        skipped: set[str] = set()
        for component in self.components.by_ref.values():
            resource = self.tree.resources[component.ref.partition("#")[0]]
            facts = {"service": self.service, "odata_id": component.ref, "software_id": None}
            facts |= {"id": text(resource.body, "Id"), "name": text(resource.body, "Name")}
            for number, entry in enumerate(self.entries):
                if entry.odata_id is not None and entry.fits(facts):
                    self.found.used.add(number)
                    if entry.skip is not None:
                        skipped.add(component.ref)
                    component.kind = entry.kind or component.kind
                    bases = [r for r in self.tree.resources.values() if entry.of and matches(entry.of, r.path)]
                    if len(bases) == 1:
                        component.parent = text(bases[0].body, "SerialNumber")
                    self._with_entry(component, entry)
                    break
        return skipped

    # -- items to components -------------------------------------------------------------------------------------------

    def _item(self, item: FirmwareItem) -> bool:
        """Find the item's components and make its claims; True where the map says to skip it."""
        facts = {"service": self.service, "odata_id": item.path, "id": item.id, "name": item.name}
        facts["software_id"] = item.software_id
        for number, entry in enumerate(self.entries):
            if entry.fits(facts):
                self.found.used.add(number)
                if entry.skip is not None:
                    return True
                for component in self._by_entry(entry, item):
                    self._claim(component, item, entry.bank)
                return False
        if item.state == "Absent":
            self.reason[item.path] = "the service reports it as absent"
            return False
        self._by_relation(item)
        return False

    def _by_relation(self, item: FirmwareItem) -> None:
        refs = [*related(item.resource.body), *self._managers_of(item)]
        if not refs:
            self.reason[item.path] = "the service relates it to no component (no RelatedItem)"
            return
        reasons, systems = [], []
        components: dict[str, ServiceComponent] = {}
        for reference in refs:
            found, reason = self.components.meant_by(reference)
            components.update((component.ref, component) for component in found)
            if reason:
                reasons.append(reason)
                path = self.tree.locate(reference)
                if path in self.components.by_ref:
                    systems.append(path)
        for component in components.values():
            self._claim(component, item, None)
        if not components:
            self.reason[item.path] = "; ".join(dict.fromkeys(reasons))
            for system in systems:
                self.whole.setdefault(system, []).append(item)

    def _managers_of(self, item: FirmwareItem) -> list[str]:
        return self.managers.get(item.path, [])

    def _whole_systems(self) -> None:
        """Make an item that is related to a whole system its BIOS, where the system's BiosVersion fits, or where the
        system has none and there is only this item."""
        for path, items in self.whole.items():
            bios = self.components.by_ref[path]
            versions = _stated_by(bios, {i.version for i in items})
            chosen = [i for i in items if i.version in versions]
            if bios.own is None and len(items) == 1 and path not in self.claims:
                chosen = items
            same = {i.software_id for i in chosen} - {None}
            chosen += [i for i in items if i not in chosen and i.software_id in same and self._is_second(i)]
            for item in chosen:
                self._claim(bios, item, None)

    @staticmethod
    def _is_second(item: FirmwareItem) -> bool:
        return item.staged is True or item.active is False or item.state in _SPARE_STATES

    def _by_entry(self, entry: MapEntry, item: FirmwareItem) -> list[ServiceComponent]:
        """The components that an entry of the map means; they are made where the service has none of the kind."""
        kind = entry.kind or ""
        fit = (kind, "")  # a component without a kind gets it from the map
        own = {
            component.ref: component
            for r in related(item.resource.body)
            for component in self.components.meant_by(r)[0]
            if component.kind in fit
        }
        if entry.of is not None:
            own = {
                component.ref: component
                for component in self.components.by_ref.values()
                if component.kind in fit and matches(entry.of, component.ref)
            }
        if own:
            return [self._with_entry(component, entry) for component in own.values()]
        bases: list[Resource | None] = [*self._bases(entry, item)]
        if entry.of is not None and not bases:
            self.reason[item.path] = f"the map places it at {entry.of}, but the service has no such resource"
        elif not bases:
            bases = [None]
        found: list[ServiceComponent] = []
        for base in bases:
            there = self._there(entry, base)
            if len(there) > 1:
                where = base.path if base is not None else "the service"
                message = f"{where} has {len(there)} components of the kind {kind}, and the map does not say which one"
                self.reason[item.path] = (
                    f"{message}: add the component's serial or slot to the entry, or its own address as of"
                )
            else:
                found.append(self._with_entry(there[0], entry) if there else self._made(entry, base))
        return found

    def _there(self, entry: MapEntry, base: Resource | None) -> list[ServiceComponent]:
        """The service's components that an entry can mean: of its kind, in `base`, and without a contradiction."""
        found: list[ServiceComponent] = []
        for component in self.components.by_ref.values():
            made = component.ref.startswith(_MADE)
            if not made and component.kind == entry.kind and (base is None or component.is_of(base.path)):
                found.append(component)
        for key in ("serial", "parent", "slot"):
            value = getattr(entry, key)
            if value is not None:
                found = [component for component in found if _agree(value, getattr(component, key))]
        return found

    def _bases(self, entry: MapEntry, item: FirmwareItem) -> list[Resource]:
        """The resources that the component of an entry belongs to."""
        if entry.of is not None:
            return [resource for resource in self.tree.resources.values() if matches(entry.of, resource.path)]
        linked = [r for ref in related(item.resource.body) if (r := self.tree.find(ref)) is not None]
        near = [resource for resource in linked if resource.type in ("ComputerSystem", "Chassis")]
        if near or not is_of_server(entry.kind or ""):
            return near[:1]
        systems = list(self.tree.of_type("ComputerSystem"))
        return systems if len(systems) == 1 else []

    def _made(self, entry: MapEntry, base: Resource | None) -> ServiceComponent:
        ref = _MADE + "|".join((entry.kind or "", base.path if base else "", entry.serial or "", entry.slot or ""))
        if ref in self.components.by_ref:
            return self.components.by_ref[ref]
        system = base if base is not None and base.type == "ComputerSystem" else None
        component = self.components.inside(ref, entry.kind or "", system)
        if base is not None and system is None:
            component.parent, component.model = text(base.body, "SerialNumber"), model_of(base.body)
        return self._with_entry(self.components.add(component), entry)

    @staticmethod
    def _with_entry(component: ServiceComponent, entry: MapEntry) -> ServiceComponent:
        component.kind = component.kind or entry.kind or ""
        for key in ("model", "serial", "parent", "slot", "site", "domain", "chassis"):
            value = getattr(entry, key)
            if value is not None:
                setattr(component, key, value)
        return component

    # -- banks ---------------------------------------------------------------------------------------------------------

    def _claim(self, component: ServiceComponent, item: FirmwareItem, bank: str | None) -> None:
        banks = {bank: True} if bank else self._banks(component, item)
        if not banks:
            self.reason[item.path] = "the service lists it as active or staged on other components only"
        for name, sure in banks.items():
            self.claims.setdefault(component.ref, []).append(_Claim(item, name, sure))

    def _banks(self, component: ServiceComponent, item: FirmwareItem) -> dict[str, bool]:
        """Bank -> sure, for an item of a component."""
        active_on = self._targets(item, "ActiveTargets")
        staged_on = self._targets(item, "StagedTargets")
        banks: dict[str, bool] = {}
        if component.ref in active_on or (item.active is True and not active_on):
            banks["active"] = True
        if component.ref in staged_on or (item.staged is True and not staged_on):
            banks["pending"] = True
        if banks or active_on or staged_on:
            return banks
        image = self.images.get((component.ref, item.path))
        if image is not None:
            return {image: True}
        if item.active is False or item.state in _SPARE_STATES:
            return {"spare": True}
        return {"active": False}

    def _targets(self, item: FirmwareItem, name: str) -> set[str]:
        refs = links(item.resource.body, "Links", name)
        found = {component.ref for ref in refs for component in self.components.meant_by(ref)[0]}
        return found | {path for ref in refs if (path := self.tree.locate(ref)) is not None}

    def _component(self, component: ServiceComponent, keys: dict[str, str]) -> set[str]:
        """Make a component of the inventory; returns the items that are in it."""
        claims = self.claims.get(component.ref, [])
        banks: dict[str, str | None] = {}
        placed: dict[str, FirmwareItem] = {}
        for bank in ("active", "pending", "spare"):
            version, items = self._bank(component, bank, [claim for claim in claims if claim.bank == bank])
            banks[bank] = version
            placed.update((item.path, item) for item in items)
        if banks["active"] is None:
            banks["active"] = component.own
        made = Component(
            component.kind, component.site, component.domain, component.chassis, component.slot, component.parent,
            component.model, component.serial, active=banks["active"], pending=banks["pending"], spare=banks["spare"],
            healthy=component.healthy,
        )  # fmt: skip
        reason = "" if component.has_identity else _NO_IDENTITY
        if not component.kind:
            if not placed and component.own is None:
                return set()  # it states no firmware
            reason = self.components.why_not(self.tree.resources[component.ref])
        if not reason and made.key in keys:
            reason = f"its component would be {made.key}, as {keys[made.key]} is; give it a slot or a serial in the map"
        if reason:
            self.reason.update(dict.fromkeys(placed, reason))
            self.failed.append((component, set(placed), reason))
            return set()
        keys[made.key] = component.ref
        self.found.components.append(made)
        additional = [pair for item in placed.values() for pair in _additional(item)]
        self.found.evidence.append(ReadingEvidence(made.key, component.ref, tuple(placed), dict(additional)))
        return set(placed)

    def _bank(
        self, component: ServiceComponent, bank: str, claims: list[_Claim]
    ) -> tuple[str | None, list[FirmwareItem]]:
        """The version in one bank and the items that state it."""
        surest = [c for c in claims if c.sure] or claims
        versions = {c.item.version for c in surest}
        if bank == "active" and len(versions) > 1 and (stated := _stated_by(component, versions)):
            surest = [c for c in surest if c.item.version in stated]
            versions = {c.item.version for c in surest}
        if len(versions) > 1:
            all_of_them = ", ".join(sorted(v or "unknown" for v in versions))
            for claim in surest:
                self.reason[claim.item.path] = f"several items are {bank} on {component.ref}: {all_of_them}"
            return None, []
        version = next(iter(versions), None)
        if bank == "active" and version and component.own and not _stated_by(component, {version}):
            message = f"its firmware item says {version}, {component.ref} itself {component.own}; the item's is used"
            self.found.problems.append(
                noted("version-differs", surest[0].item.path, message, "check the component itself")
            )
        for claim in claims:
            if claim not in surest:
                self.reason[claim.item.path] = (
                    f"another item is {bank} on {component.ref}; the bank of this one is not known"
                )
        return version, [c.item for c in surest]

    def _nameless(self, component: ServiceComponent, reason: str) -> None:
        resource = self.tree.resources.get(component.ref.partition("#")[0])
        body = resource.body if resource is not None else {}
        self.found.nameless += 1
        kind = component.kind or None
        self._not_placed(
            Unmapped(
                component.ref,
                text(body, "Id"),
                text(body, "Name"),
                component.own,
                None,
                reason,
                kind,
                is_component=True,
            )
        )

    def _draft(self, item: FirmwareItem) -> tuple[str | None, str | None]:
        """The kind of an item's component and the resource that the item is of, as far as they are known."""
        for ref, claims in self.claims.items():
            if any(claim.item is item for claim in claims) and not ref.startswith(_MADE):
                return self.components.by_ref[ref].kind or None, ref
        linked = [r.path for ref in related(item.resource.body) if (r := self.tree.find(ref)) is not None]
        systems = [resource.path for resource in self.tree.of_type("ComputerSystem")]
        return None, next(iter(linked or (systems if len(systems) == 1 else [])), None)

    def _not_placed(self, row: Unmapped) -> None:
        self.found.unmapped.append(row)
        named = f"{row.name or row.id or 'without a name'}, version {row.version or 'unknown'}"
        hint = "add it to a map: [[map]] with odata_id and kind, or skip"
        self.found.problems.append(noted("not-placed", row.odata_id, f"{named}: {row.reason}", hint))


def _stated_by(component: ServiceComponent, versions: Collection[str | None]) -> set[str | None]:
    """Those of `versions` that the component itself states.

    A BIOS may state more after a blank, such as a date: `BiosVersion` "6.0.1 (2026-03-04)" is 6.0.1.
    """
    own = component.own
    if own is None or own in versions:
        return {own} & set(versions) - {None}
    return {v for v in versions if v is not None and component.kind == "bios" and own.startswith(f"{v} ")}


def _agree(stated: str, own: str | None) -> bool:
    """True where a component may be the one of a map's entry; its slot may lack the server's slot, which the map
    has."""
    return own is None or own == stated or (own.startswith("/") and stated.partition("/")[2] == own[1:])


def _additional(item: FirmwareItem) -> list[tuple[str, str]]:
    """AdditionalVersions: versions of pieces of the same image (a boot loader, microcode), which are no banks."""
    rows = item.resource.body.get("AdditionalVersions")
    if not isinstance(rows, Mapping):
        return []
    return [(visible(str(name)), found) for name in rows if (found := version(rows, name)) is not None]


def merged(first: Component, second: Component) -> Component:
    """One component from two services: what the first does not know comes from the second."""
    own = {name: getattr(second, name) for name in Component.__slots__ if getattr(first, name) is None}
    return replace(first, **own)
