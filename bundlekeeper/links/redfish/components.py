"""Which components a service's resources are: kind, model, serial, parent, place, and the version that they state.

Rules: a kind comes from the resource's type and never from a name alone; a text that means "not filled in" is not
known; a server's serial is the parent of its components and never their own serial; what has neither serial nor parent
has no identity and becomes no component. Pure.
Source: DMTF DSP8010 2025.4, property names from memory; the kind of each type: common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.links.redfish.types import Placement
from bundlekeeper.links.redfish.walk import Body, Resource, Tree, link, links

_MAX_TEXT = 512
# What makers write for an empty field (common practice); compared without case.
_NOTHING = {"", "-", "n/a", "na", "none", "null", "unknown", "not specified", "not available", "to be filled by o.e.m."}

_MANAGER_KINDS = {
    "BMC": "management-controller",
    "ManagementController": "management-controller",
    "EnclosureManager": "chassis-controller",
}
_TYPE_KINDS = {
    "NetworkAdapter": "network-adapter",
    "StorageController": "storage-controller",
    "Drive": "disk",
    "Switch": "fabric-switch",
    "TrustedComponent": "",
}


@dataclass(slots=True)
class ServiceComponent:
    """One component of a service. `ref` names it in the service: a path, with a pointer where it has no path of its
    own.

    `kind` is empty where its type has none; only a map can make a component of it.
    """

    ref: str
    kind: str
    model: str | None = None
    serial: str | None = None
    parent: str | None = None
    site: str = ""
    domain: str = ""
    chassis: str | None = None
    slot: str | None = None
    healthy: bool | None = None
    own: str | None = None  # the version that the resource itself states
    within: tuple[str, ...] = ()  # paths of the server and the chassis that it is in

    @property
    def has_identity(self) -> bool:
        """True when its serial or its parent is known."""
        return bool(self.serial or self.parent)

    def is_of(self, path: str) -> bool:
        """True when it is the resource at `path`, below its address, or inside it."""
        return self.ref == path or self.ref.startswith((f"{path}/", f"{path}#")) or path in self.within


def text(body: Body, name: str, limit: int = _MAX_TEXT) -> str | None:
    """A text of a resource that fits an inventory; None where it is missing or empty."""
    found = body.get(name)
    if not isinstance(found, str):
        return None
    found = visible(found.strip())
    return None if found.casefold() in _NOTHING or len(found) > limit else found


def version(body: Body, name: str) -> str | None:
    """A version, as read; None where it is not there."""
    return text(body, name, limits.VERSION_CHARACTERS)


class ServiceComponents:
    """All components of one service."""

    def __init__(self, tree: Tree, placement: Placement) -> None:
        self.tree = tree
        self.placement = placement
        self.by_ref: dict[str, ServiceComponent] = {}
        self.bios_of: dict[str, str] = {}  # the Bios resource's path -> the system's
        for system in tree.of_type("ComputerSystem"):
            self._bios(system)
        for manager in tree.of_type("Manager"):
            self._manager(manager)
        self._listed: dict[str, list[ServiceComponent]] = {}  # a collection's path -> its controllers
        for storage in tree.of_type("Storage"):
            self._storage(storage)
        for name, kind in _TYPE_KINDS.items():
            for resource in tree.of_type(name):
                component = self._plain(resource, kind)
                if kind == "storage-controller":
                    self._listed.setdefault(resource.path.rpartition("/")[0], []).append(component)

    def add(self, component: ServiceComponent) -> ServiceComponent:
        """Keep a component under its `ref`."""
        self.by_ref[component.ref] = component
        return component

    def meant_by(self, reference: str) -> tuple[list[ServiceComponent], str]:
        """The components that an item's link means; or none, and the reason."""
        path = self.tree.locate(reference)
        if path is None:
            return [], "its link leads away from the service"
        if path in self.bios_of:
            return [self.by_ref[self.bios_of[path]]], ""
        pointed = reference.partition("#")[2]
        if pointed and f"{path}#{pointed}" in self.by_ref:
            return [self.by_ref[f"{path}#{pointed}"]], ""
        resource = self.tree.resources.get(path)
        if resource is None:
            return [], f"its link {path} could not be read"
        if path in self.by_ref and resource.type != "ComputerSystem":
            return [self.by_ref[path]], ""
        if resource.type == "Storage":
            inside = self._controllers(resource)
            return (inside, "") if len(inside) == 1 else ([], f"{path} has {len(inside)} controllers")
        if resource.type == "NetworkInterface":
            adapter = self.tree.find(link(resource.body, "Links", "NetworkAdapter"))
            if adapter is not None and adapter.path in self.by_ref:
                return [self.by_ref[adapter.path]], ""
        return [], self.why_not(resource)

    def _controllers(self, storage: Resource) -> list[ServiceComponent]:
        rows = storage.body.get("StorageControllers")
        refs = [f"{storage.path}#/StorageControllers/{n}" for n in range(len(rows))] if isinstance(rows, list) else []
        listed = self.tree.locate(link(storage.body, "Controllers") or "")
        return [self.by_ref[ref] for ref in refs if ref in self.by_ref] or self._listed.get(listed or "", [])

    @staticmethod
    def why_not(resource: Resource) -> str:
        """Why a resource is no component."""
        if resource.type == "ComputerSystem":
            return f"{resource.path} is a whole system, and not one of its components"
        if resource.type == "Manager":
            return (
                f"{resource.path} is a manager of the type {text(resource.body, 'ManagerType')}: its kind is not known"
            )
        if resource.type == "Chassis":
            return (
                f"{resource.path} is a chassis of the type {text(resource.body, 'ChassisType')}: its kind is not known"
            )
        return f"{resource.path} is of the type {resource.type or 'unknown'}: its kind is not known"

    # -- the components of each type -----------------------------------------------------------------------------------

    def _bios(self, system: Resource) -> None:
        if text(system.body, "SystemType") not in (None, "Physical"):
            return  # a virtual or composed system has no flash of its own
        component = self.inside(system.path, "bios", system)
        component.own = version(system.body, "BiosVersion")
        self.add(component)
        bios = self.tree.locate(link(system.body, "Bios") or "")
        if bios is not None:
            self.bios_of[bios] = system.path

    def _manager(self, manager: Resource) -> None:
        body = manager.body
        systems = [s for r in links(body, "Links", "ManagerForServers") if (s := self.tree.find(r))]
        manager_type = text(body, "ManagerType")
        kind = _MANAGER_KINDS.get(manager_type or "")
        if kind is None and manager_type is None and systems:
            kind = "management-controller"
        if kind != "chassis-controller":
            component = self.inside(manager.path, kind or "", systems[0] if len(systems) == 1 else None)
        else:
            enclosure = self._enclosure(manager)
            component = self._at(manager.path, kind, enclosure)
            if enclosure is not None:
                component.parent, component.model = text(enclosure.body, "SerialNumber"), model_of(enclosure.body)
                component.chassis = component.chassis or text(enclosure.body, "Id")
            component.slot = _ordinal(body) or text(body, "Id")
        self._own_facts(component, body)
        component.own = version(body, "FirmwareVersion")
        self.add(component)

    def _enclosure(self, manager: Resource) -> Resource | None:
        first = link(manager.body, "Links", "ManagerInChassis")
        if first is not None:
            return self.tree.find(first)
        found = [c for r in links(manager.body, "Links", "ManagerForChassis") if (c := self.tree.find(r))]
        tops = [resource for resource in found if text(resource.body, "ChassisType") == "Enclosure"] or found
        return tops[0] if len(tops) == 1 else None

    def _storage(self, storage: Resource) -> None:
        rows = storage.body.get("StorageControllers")
        if not isinstance(rows, list) or link(storage.body, "Controllers") is not None:
            return
        for number, row in enumerate(rows):
            if isinstance(row, Mapping):
                component = self.inside(
                    f"{storage.path}#/StorageControllers/{number}",
                    "storage-controller",
                    self._system_above(storage.path),
                )
                component.slot = self._position(component.slot, text(row, "MemberId") or str(number))
                component.model = model_of(row)
                self._own_facts(component, row)
                component.own = version(row, "FirmwareVersion")
                self.add(component)

    def _plain(self, resource: Resource, kind: str) -> ServiceComponent:
        body = resource.body
        position = _ordinal(body) or text(body, "Id")
        if kind == "fabric-switch":
            component = self._at(resource.path, kind, None)
            component.slot = self.placement.slot or position
        else:
            component = self.inside(
                resource.path, kind, self._system_above(resource.path) or self._system_beside(resource.path)
            )
            component.slot = self._position(component.slot, position)
        component.model = model_of(body)
        self._own_facts(component, body)
        component.own = _own_version(body, kind)
        return self.add(component)

    # -- where a component is ------------------------------------------------------------------------------------------

    def _at(self, ref: str, kind: str, resource: Resource | None) -> ServiceComponent:
        place = self.placement
        component = ServiceComponent(
            ref, kind, site=place.site, domain=place.domain, chassis=place.chassis, slot=place.slot
        )
        if resource is not None:
            component.model, component.within = model_of(resource.body), (resource.path,)
        return component

    def inside(self, ref: str, kind: str, system: Resource | None) -> ServiceComponent:
        """A component of a server: the server's serial is its parent; it has the server's model and place."""
        component = self._at(ref, kind, system)
        if system is None:
            return component
        chassis = self._chassis_of(system)
        component.parent = text(system.body, "SerialNumber")
        if chassis is not None:
            component.within += (chassis.path,)
            component.parent = component.parent or text(chassis.body, "SerialNumber")
            component.slot = component.slot or _ordinal(chassis.body)
            around = self.tree.find(link(chassis.body, "Links", "ContainedBy"))
            if around is not None and text(around.body, "ChassisType") == "Enclosure":
                component.chassis = component.chassis or text(around.body, "Id")
        return component

    def _chassis_of(self, system: Resource) -> Resource | None:
        """The system's own chassis: the one with it and no other system."""
        found = [c for r in links(system.body, "Links", "Chassis") if (c := self.tree.find(r))]
        alone = [resource for resource in found if len(links(resource.body, "Links", "ComputerSystems")) <= 1]
        return alone[0] if len(alone) == 1 else None

    def _system_above(self, path: str) -> Resource | None:
        """The system below whose address a resource is."""
        return self._above(path, "ComputerSystem")

    def _system_beside(self, path: str) -> Resource | None:
        """The only system of the chassis below whose address a resource is; None for several."""
        chassis = self._above(path, "Chassis")
        if chassis is None:
            return None
        found = [s for r in links(chassis.body, "Links", "ComputerSystems") if (s := self.tree.find(r))]
        return found[0] if len(found) == 1 else None

    def _above(self, path: str, kind: str) -> Resource | None:
        while "/" in path:
            path = path.rpartition("/")[0]
            found = self.tree.resources.get(path)
            if found is not None and found.type == kind:
                return found
        return None

    @staticmethod
    def _position(slot: str | None, position: str | None) -> str | None:
        """The server's slot and the position in the server; an unknown slot stays empty."""
        return slot if position is None else f"{(slot or '').partition('/')[0]}/{position}"

    @staticmethod
    def _own_facts(component: ServiceComponent, body: Body) -> None:
        serial = text(body, "SerialNumber")
        component.serial = serial if serial != component.parent else None
        component.healthy = _healthy(body)


def model_of(body: Body) -> str | None:
    """The model of a resource, else its part number; None where it has neither."""
    return text(body, "Model") or text(body, "PartNumber")


def _own_version(body: Body, kind: str) -> str | None:
    if kind == "network-adapter":
        rows = body.get("Controllers")
        versions = (
            {version(row, "FirmwarePackageVersion") for row in rows if isinstance(row, Mapping)}
            if isinstance(rows, list)
            else set()
        )
        return next(iter(versions)) if len(versions) == 1 else None
    return version(body, "FirmwareVersion") or (version(body, "Revision") if kind == "disk" else None)


def _ordinal(body: Body) -> str | None:
    for name in ("Location", "PhysicalLocation"):
        place: Any = body.get(name)
        inner = place.get("PartLocation") if isinstance(place, Mapping) else None
        if isinstance(inner, Mapping):
            number = inner.get("LocationOrdinalValue")
            if isinstance(number, int) and not isinstance(number, bool) and 0 <= number < 10**6:
                return str(number)
            if label := text(inner, "ServiceLabel", 64):
                return label
    return None


def _healthy(body: Body) -> bool | None:
    status = body.get("Status")
    health = status.get("Health") if isinstance(status, Mapping) else None
    return {"OK": True, "Warning": False, "Critical": False}.get(health) if isinstance(health, str) else None
