"""Reads the resources of a service, in order: from the root to everything with firmware.

Rules: each resource is read once, so that circles of links end; a collection is read page by page, to its end; what
cannot be read is a problem of its own and the rest goes on; a linked resource counts, whether or not a collection lists
it; a collection that is linked but was not read is named.
Source: DMTF DSP0266 (paging, `Members@odata.nextLink`) and DSP8010 2025.4 (the names); names of other links than those
of UpdateService and SoftwareInventory are from memory.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import httpx

from bundlekeeper.findings import Finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.links.redfish.session import ROOT, Service
from bundlekeeper.links.redfish.types import ReadLimits, ResourceError, ServiceLostError, noted

_MAX_PROBLEMS = 1000
# Properties that link a collection in the types that are read; DSP8010 2025.4, from memory.
COLLECTIONS = frozenset({
    "AddressPools", "AssignedComponents", "Batteries", "Cables", "Certificates", "Chassis", "ClientCertificates",
    "ComponentIntegrity", "Connections", "ConsistencyGroups", "Controllers", "Controls", "DedicatedNetworkPorts",
    "Drives", "EndpointGroups", "Endpoints", "EthernetInterfaces", "FabricAdapters", "Fabrics", "Facilities",
    "FileSystems", "FirmwareInventory", "GraphicsControllers", "HostInterfaces", "JsonSchemas", "LeakDetectors",
    "LogServices", "Managers", "MediaControllers", "Memory", "MemoryDomains", "NVMeDomains", "NetworkAdapters",
    "NetworkDeviceFunctions", "NetworkInterfaces", "NetworkPorts", "OperatingConfigs", "PCIeDevices",
    "PCIeFunctions", "Ports", "PowerSupplies", "Processors", "RegisteredClients", "Registries",
    "RemoteServerCertificates", "ResourceBlocks", "Sensors", "SerialInterfaces", "SharedNetworkPorts",
    "SimpleStorage", "SoftwareInventory", "Storage", "StorageGroups", "StoragePools", "StorageServices",
    "StorageSystems", "Switches", "Systems", "TrustedComponents", "USBControllers", "USBPorts", "VirtualMedia",
    "Volumes", "Zones",
})  # fmt: skip
_FIRMWARE = frozenset({"UpdateService", "FirmwareInventory"})  # what a system, chassis or manager may link to itself

Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Resource:
    """One resource: its own address (path and query), the type without version, the document."""

    path: str
    type: str
    body: Body


@dataclass(slots=True)
class Tree:
    """What was read. `items` are the SoftwareInventory resources in the service's order; `complete` is False where the
    service stopped answering; `locate` gives a link's path as `resources` has it, None for a link to elsewhere."""

    locate: Callable[[str], str | None]

    resources: dict[str, Resource] = field(default_factory=dict)
    items: list[str] = field(default_factory=list)
    problems: list[Finding] = field(default_factory=list)
    complete: bool = True
    unread: list[str] = field(default_factory=list)  # collections that are linked but were not read

    def find(self, reference: str | None) -> Resource | None:
        """The resource that a link means, if it was read."""
        path = self.locate(reference) if reference is not None else None
        return self.resources.get(path) if path is not None else None

    def of_type(self, name: str) -> Iterator[Resource]:
        """The resources of one type, in the order in which they were read."""
        return (resource for resource in self.resources.values() if resource.type == name)


def link(body: Body, *names: str) -> str | None:
    """The link under these names, one inside the other, or None."""
    found: Any = body
    for name in (*names, "@odata.id"):
        found = found.get(name) if isinstance(found, Mapping) else None
    return found if isinstance(found, str) else None


def links(body: Body, *names: str) -> list[str]:
    """The links of the list under these names; what is no link is left out."""
    found: Any = body
    for name in names:
        found = found.get(name) if isinstance(found, Mapping) else None
    rows = found if isinstance(found, list) else []
    return [ref for row in rows if isinstance(row, Mapping) and (ref := link(row)) is not None]


def linked(value: object, names: Collection[str]) -> Iterator[tuple[str, str]]:
    """(name, link) of every link under one of `names`, at any depth."""
    rows: list[object] = [value]
    while rows:
        row = rows.pop()
        if isinstance(row, Mapping):
            yield from ((name, ref) for name in row if name in names and (ref := link(row, name)) is not None)
        inner = row.values() if isinstance(row, Mapping) else row if isinstance(row, list) else ()
        rows.extend(inner)


def type_of(body: Body, otherwise: str) -> str:
    """`Manager` of `#Manager.v1_3_1.Manager`."""
    stated = body.get("@odata.type")
    return stated.rpartition(".")[2].lstrip("#") if isinstance(stated, str) and stated else otherwise


class Walk:
    """One reading of a service, link by link."""

    def __init__(self, service: Service, limits: ReadLimits) -> None:
        self.tree = Tree(self._locate)
        self._service = service
        self._limits = limits
        self._asked: set[str] = set()
        self._full = False
        self._collected: set[str] = set()  # collections that were asked for

    def run(self, *, log_in: bool = True) -> Tree:
        """Log in and read everything; without `log_in` in the session that there is.

        Where the service stops answering later, the result is what was read, not `complete`.
        Raises KeeperError where nothing but the root could be read.
        """
        root = self._service.get(self._service.resolve(ROOT))
        self._asked.add(ROOT.rstrip("/"))
        if log_in:
            self._service.log_in(_sessions(root))
        try:
            self._everything(root)
        except ServiceLostError as e:
            if not self.tree.resources:
                e.problems = tuple(self.tree.problems)
                raise
            self.tree.complete = False
            self._problem("unreadable", self._service.place, f"the reading ended early: {e.message}", e.hint)
        self._not_read(root)
        unread = [problem for problem in self.tree.problems if problem.code == "resource-unread"]
        if unread and not self.tree.resources:
            raise ServiceLostError(
                f"nothing but the root could be read: {unread[0].message}",
                where=self._service.place,
                hint="may this user read it?",
                problems=self.tree.problems,
            )
        return self.tree

    def _everything(self, root: Body) -> None:
        self._firmware("UpdateService", link(root, "UpdateService"))
        for system in self._collection(link(root, "Systems"), "ComputerSystem"):
            self._storage(system)
        for _ in self._collection(link(root, "Managers"), "Manager"):
            pass
        for chassis in self._collection(link(root, "Chassis"), "Chassis"):
            self._chassis(chassis)
        for fabric in self._collection(link(root, "Fabrics"), "Fabric"):
            self._all(link(fabric.body, "Switches"), "Switch")
        for kind in ("ComputerSystem", "Chassis", "Manager"):
            for resource in list(self.tree.of_type(kind)):
                for name, reference in linked(resource.body, _FIRMWARE):
                    self._firmware(name, reference)
        for kind in ("Manager", "TrustedComponent"):
            for resource in list(self.tree.of_type(kind)):
                self._images_of(resource)
        self._related()

    def _firmware(self, name: str, reference: str | None) -> None:
        """Read the firmware items behind a link to an update service, or to their collection."""
        if name == "UpdateService" and reference is not None:
            update = self._read(reference, "UpdateService")
            reference = link(update.body, "FirmwareInventory") if update is not None else None
        for item in self._collection(reference, "SoftwareInventory"):
            if item.path not in self.tree.items:
                self.tree.items.append(item.path)

    def _storage(self, system: Resource) -> None:
        for storage in self._collection(link(system.body, "Storage"), "Storage"):
            self._all(link(storage.body, "Controllers"), "StorageController")
            for drive in links(storage.body, "Drives"):
                self._read(drive, "Drive")

    def _chassis(self, chassis: Resource) -> None:
        self._all(link(chassis.body, "NetworkAdapters"), "NetworkAdapter")
        self._all(link(chassis.body, "Drives"), "Drive")
        self._all(link(chassis.body, "TrustedComponents"), "TrustedComponent")

    def _images_of(self, component: Resource) -> None:
        active = link(component.body, "Links", "ActiveSoftwareImage")
        for image in dict.fromkeys([*([active] if active else []), *links(component.body, "Links", "SoftwareImages")]):
            self._outside(image)

    def _outside(self, image: str) -> None:
        found = self._read(image, "SoftwareInventory")
        if found is not None and found.type == "SoftwareInventory" and found.path not in self.tree.items:
            self.tree.items.append(found.path)
            self._problem("outside-collection", found.path, "is linked, but no collection lists it")

    def _related(self) -> None:
        """Read the resources that items name and that were not read yet; a system's Bios is known by its link
        already."""
        known = {self._locate(link(resource.body, "Bios")) for resource in self.tree.of_type("ComputerSystem")} - {None}
        for item in list(self.tree.items):
            for reference in related(self.tree.resources[item].body):
                if self._locate(reference) not in known:
                    self._read(reference, "")

    def _all(self, reference: str | None, kind: str) -> None:
        for _ in self._collection(reference, kind):
            pass

    def _read(self, reference: object, kind: str) -> Resource | None:
        """One resource, read at most once; None where it cannot be read or the limit is reached."""
        try:
            url = self._service.resolve(reference)
            path = _key(url)
            if path in self._asked:
                return self.tree.resources.get(path)
            if len(self._asked) >= self._limits.max_resources:
                self._overflow()
                return None
            self._asked.add(path)
            body = self._service.get(url)
        except ResourceError as e:
            subject = str(reference)[:200] if isinstance(reference, str) else e.where
            self._problem(e.code, subject, e.message, e.hint)
            return None
        found = self.tree.resources[path] = Resource(path, type_of(body, kind), body)
        return found

    def _locate(self, reference: str | None) -> str | None:
        try:
            return _key(self._service.resolve(reference))
        except ResourceError:
            return None

    def _overflow(self) -> None:
        if not self._full:
            self._full = True
            message = f"more than {self._limits.max_resources} resources; the rest was not read"
            self._problem("limit-reached", self._service.place, message)

    def _collection(self, reference: str | None, kind: str) -> Iterator[Resource]:
        """The members of a collection that can be read; nothing where there is no such link, or it was read already."""
        path = self._locate(reference)
        if reference is None or path in self._collected:
            return
        if path is not None:
            self._collected.add(path)
        members = self._members(reference)
        for member in members:
            found = self._read(member, kind)
            if found is not None:
                yield found

    def _members(self, reference: str) -> list[str]:
        """The links of all pages, each once."""
        found: dict[str, None] = {}
        rows = 0
        stated: object = None
        page: object = reference
        seen: set[str] = set()
        for number in range(self._limits.max_pages + 1):
            try:
                url = self._service.resolve(page)
                if _key(url) in seen:
                    raise ResourceError("the pages of the collection form a circle")
                if number == self._limits.max_pages:
                    raise ResourceError(f"the collection has more than {number} pages", code="limit-reached")
                seen.add(_key(url))
                body = self._service.get(url)
            except ResourceError as e:
                self._problem(e.code, reference, e.message, e.hint)
                return list(found)
            stated = body.get("Members@odata.count") if stated is None else stated
            listed = body.get("Members")
            listed = listed if isinstance(listed, list) else []
            rows += len(listed)
            found.update(dict.fromkeys(self._links_of(listed, reference)))
            page = body.get("Members@odata.nextLink")
            if page is None:
                break
        if isinstance(stated, int) and stated != rows:
            self._problem("count-differs", reference, f"says {stated} members and lists {rows}")
        return list(found)

    def _links_of(self, members: Sequence[object], collection: str) -> Iterator[str]:
        for member in members:
            reference = link(member) if isinstance(member, Mapping) else None
            if reference is None:
                self._problem("resource-unread", collection, "a member of the collection is not a link")
            else:
                yield reference

    def _not_read(self, root: Body) -> None:
        """Name the collections that are linked but were not read."""
        found: dict[str, str] = {}
        for body in (root, *(resource.body for resource in self.tree.resources.values())):
            for name in sorted(COLLECTIONS.intersection(body)):
                path = self._locate(link(body, name))
                if path is not None and path not in self._collected and path not in self._asked:
                    found.setdefault(path, name)
        self.tree.unread = list(found)
        if found:
            names = sorted(Counter(found.values()).items())
            listed = ", ".join(name if count == 1 else f"{name} ({count})" for name, count in names)
            message = (
                f"{counted(len(found), 'linked collection')} {'was' if len(found) == 1 else 'were'} not read: {listed}"
            )
            hint = "firmware that only they name is not in the inventory; --json lists each with its address"
            self._problem("collection-unread", self._service.place, message, hint)

    def _problem(self, code: str, subject: str, message: str, hint: str = "") -> None:
        if len(self.tree.problems) < _MAX_PROBLEMS:
            self.tree.problems.append(noted(code, subject, message, hint))
        elif len(self.tree.problems) == _MAX_PROBLEMS:
            self.tree.problems.append(noted("limit-reached", self._service.place, "more problems than are listed"))


def related(item: Body) -> list[str]:
    """Every resource that a SoftwareInventory item names, each once, as its links are written."""
    rows = [
        *links(item, "RelatedItem"),
        *links(item, "Links", "ActiveTargets"),
        *links(item, "Links", "StagedTargets"),
    ]
    return list(dict.fromkeys(rows))


def _sessions(root: Body) -> str | None:
    """Where sessions are made: the root's link, else the session service's own collection (DSP0266)."""
    stated = link(root, "Links", "Sessions")
    service = link(root, "SessionService")
    return stated or (service.rstrip("/") + "/Sessions" if service else None)


def _key(url: httpx.URL) -> str:
    path = url.raw_path.decode("ascii", "backslashreplace")
    return path if url.query else path.rstrip("/") or "/"
