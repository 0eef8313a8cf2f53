"""Questions of inventories and Redfish: files read and written, two readings compared, services' trees placed."""

from __future__ import annotations

import json
from copy import deepcopy
from dataclasses import replace
from datetime import UTC, date, datetime
from random import Random
from typing import Any

from bundlekeeper.links.redfish.map_firmware import place
from bundlekeeper.links.redfish.read import combine, named, unused
from bundlekeeper.links.redfish.types import Placement, ReadingEvidence, ServiceReading
from bundlekeeper.links.redfish.user_map import MapEntry, read_map
from bundlekeeper.links.redfish.walk import Resource, Tree, type_of
from bundlekeeper.model.inventory import changes
from bundlekeeper.model.inventory.read import InventorySource, read_inventory
from bundlekeeper.model.inventory.types import COMPONENT_KEYS, Component, Inventory, identity, server_key
from bundlekeeper.model.inventory.write_json import to_json
from bundlekeeper.model.inventory.write_toml import to_toml
from bundlekeeper.model.vocabulary import KINDS
from tests.answers.of_manifests import reworded
from tests.answers.plain import told
from tests.answers.registry import question
from tests.answers.worlds import blurred
from tests.kits.firmware_trees import ADAPTER, ITEMS, MANAGER, SYSTEM, to
from tests.kits.planning_kit import whole_domain
from tests.kits.planning_worlds import disorderly_fleet
from tests.kits.redfish_server import Documents, documents

_CLOCK = datetime(2026, 11, 25, 9, tzinfo=UTC)


def _fleet(rnd: Random) -> Inventory:
    made = whole_domain("6.0.1", blades=rnd.randint(0, 2), racks=rnd.randint(0, 1))
    made = rnd.choice([made, made, disorderly_fleet(rnd)])
    if rnd.random() < 0.3:
        made = replace(made, read_at=datetime(2026, 11, 20, 7, 30, tzinfo=UTC))
    return blurred(rnd, made, rnd.choice([0.0, 0.2, 0.5]))


def _document(rnd: Random) -> InventorySource:
    """A file of one form, whole or with words changed."""
    form = rnd.choice(["toml", "json", "csv"])
    fleet = _fleet(rnd)
    if form == "toml":
        text = reworded(rnd, to_toml(fleet, ["by hand"]), rnd.choice([0, 0, 0, 1, 2]))
    elif form == "json":
        raw = json.loads(to_json(fleet))
        for _ in range(rnd.choice([0, 0, 0, 1, 2])):
            rows = rnd.choice([rows for rows in raw.values() if isinstance(rows, list) and rows])
            row = rnd.choice(rows)
            key = rnd.choice([*row, "zeal", "slot", "serial", "free_bytes"])
            row[key] = rnd.choice(
                [None, "", "-", "?", 3, -1, 2**64, True, ["6.1"], {}, "x" * 300, "bios", "6.1.0", "holm-a"]
            )
            if rnd.random() < 0.2:
                rows.append(dict(row))
            if rnd.random() < 0.1:
                raw[rnd.choice(["zone", "added", "inventory", "note", "separate_windows"])] = rnd.choice(
                    ["UTC", "x", 2, "2030-01-01", []]
                )
        text = json.dumps(raw)
    else:
        text = _csv(rnd, fleet)
    return InventorySource(f"i.{form}", text.encode(), form)


def _csv(rnd: Random, fleet: Inventory) -> str:
    keys = [key for key in COMPONENT_KEYS if rnd.random() < 0.9 or key in ("kind", "site")]
    mark = rnd.choice([",", ";", "\t"])
    lines = ["# inventory = 1", "# read_at = 2026-11-20", "# zone = UTC", mark.join(keys)]
    for component in fleet.components[: rnd.randint(1, 12)]:
        cells = []
        for key in keys:
            value = getattr(component, key)
            cell = "" if value is None else "-" if value in ("", ()) else value if isinstance(value, str) else ""
            cell = "|".join(value) if isinstance(value, tuple) and value else cell
            cell = ("yes" if value else "no") if isinstance(value, bool) else cell
            if rnd.random() < 0.002:
                cell = rnd.choice(["?", '"a b"', "maybe", "x" * 200, "-", "1/2", '"'])
            cells.append(cell)
        if rnd.random() < 0.01:
            cells.append("more")
        lines.append(mark.join(cells))
    if rnd.random() < 0.2:
        lines[3] = rnd.choice(
            [lines[3] + mark + keys[0], lines[3].replace(keys[-1], ""), lines[3] + mark * 2, mark + lines[3]]
        )
    if rnd.random() < 0.2:
        lines[rnd.randrange(3)] = rnd.choice(
            ["# read_at = 2030-01-01", "# zone = Mars", "", "# inventory = 2", "# note = n"]
        )
    return rnd.choice(["\n", "\r\n"]).join(lines) + "\n"


@question("inventories-read", 100)
def _read(rnd: Random) -> Any:
    sources = [_document(rnd) for _ in range(rnd.choice([1, 1, 1, 2]))]

    def read() -> Any:
        taken = rnd.choice([None, None, date(2026, 11, 20), date(2026, 11, 19)])
        zone, own = rnd.choice([None, None, "UTC", "+02:00"]), rnd.choice([(), ("tide-gauge",)])
        found = read_inventory(sources, read_at=taken, zone=zone, own_kinds=own, clock=_CLOCK, kept=rnd.random() < 0.2)
        # its JSON form says all of it, and shorter
        return [to_json(found), to_toml(replace(found, components=found.components[:2])), sorted(found.own_kinds)]

    return told(read)


_CELLS: tuple[Any, ...] = (
    None,
    "",
    "-",
    "?",
    "yes",
    "No",
    "maybe",
    3,
    -1,
    2**63,
    "12",
    "1_000",
    1.5,
    True,
    [],
    ["6.1"],
    ["6.1", "6.1"],
    [3],
    {},
    "x" * 300,
    "6.1.0",
    "a b",
    " x",
    "x\ty",
    "bios",
    "Bios",
    "leading",
    "holm-a",
    "3/1",
    "3/",
    "/1",
    "immediate",
    ["holm-a", "*"],
    {"blade": "6.1.0"},
    {"blade": 6},
    {"zeal": "1"},
    date(2026, 1, 1),
)


@question("inventories-key-by-key", 1)
def _key_by_key(rnd: Random) -> Any:
    """Every key of every table with values right and wrong, in JSON, and in CSV where a cell can hold them."""
    whole = json.loads(to_json(whole_domain("6.0.1", blades=1, racks=0)))
    rows: list[Any] = []
    for table in ("component", "partition", "policy"):
        for key in {**whole[table][-1], **dict.fromkeys(_KEYS[table])}:
            for value in _CELLS:
                raw = deepcopy(whole)
                raw[table][-1][key] = value
                source = InventorySource("i.json", json.dumps(raw, default=str).encode(), "json")
                rows.append([table, key, repr(value), told(_last, source, table)])
    head = ("site", "domain", "kind", "serial", "slot", "pair", "half", "healthy", "boot_files", "active")
    good = ("holm", "holm-a", "bios", "S1", "3", "", "", "yes", "", "6.0.1")
    for number, key in enumerate(head):
        for value in _CELLS:
            if isinstance(value, str):
                cells = [*good[:number], value, *good[number + 1 :]]
                text = f"# inventory = 1\n# read_at = 2026-11-20\n# zone = UTC\n{','.join(head)}\n{','.join(cells)}\n"
                source = InventorySource("i.csv", text.encode(), "csv")
                rows.append([key, value, told(_last, source, "component")])
    for key in ("inventory", "added", "zone", "note", "separate_windows", "zeal"):
        for value in (
            *_CELLS,
            [{"domains": ["holm-a", "holm-b"]}],
            [{"domains": ["holm-a"]}],
            [{"domains": 3, "note": "n"}],
            "UTC",
            "Mars",
        ):
            raw = deepcopy(whole)
            raw[key] = value
            source = InventorySource("i.json", json.dumps(raw, default=str).encode(), "json")
            rows.append([key, repr(value), told(_apart, source)])
    return _briefly(rows)


_KEYS = {
    "component": ("policy", "boot_files", "zeal"), "partition": ("size_bytes", "free_bytes", "zeal"),
    "policy": ("versions", "applies", "scope", "zeal"),
}  # fmt: skip


def _last(source: InventorySource, table: str) -> str:
    found = read_inventory([source])
    tables = {"component": found.components, "partition": found.partitions, "policy": found.policies}
    return repr(tables[table][-1])


def _apart(source: InventorySource) -> str:
    return str(read_inventory([source]).separate_windows)


def _briefly(rows: list[Any]) -> list[Any]:
    """Of errors their problems, each in one line."""
    for row in rows:
        if isinstance(row[-1], dict):
            row[-1] = [row[-1]["message"], *(" | ".join(str(fact) for fact in p.values()) for p in row[-1]["problems"])]
    return rows


@question("inventories-compared", 60)
def _compared(rnd: Random) -> Any:
    before = _fleet(rnd)
    components = list(before.components)
    for _ in range(rnd.randint(0, 6)):
        at = rnd.randrange(len(components))
        component = components[at]
        match rnd.randrange(6):
            case 0:
                components.pop(at)
            case 1:
                components[at] = replace(component, serial=f"NEW-{at}")
            case 2:
                components[at] = replace(component, slot="9", chassis="2")
            case 3:
                components[at] = replace(
                    component, active=rnd.choice([None, "6.1.0"]), spare=rnd.choice([None, "", "5.4.2"])
                )
            case 4:
                components.append(replace(component, serial=f"MORE-{at}", slot=rnd.choice([component.slot, "8"])))
            case _:
                components[at] = replace(
                    component, domain=rnd.choice(["holm-b", component.domain]), healthy=False, model="Tern-9"
                )
    rnd.shuffle(components)
    whole = rnd.random() < 0.5
    found = changes.compare(before.components, components, lambda site, domain: whole)
    return [[c.what.value, c.message(), c.keys] for c in found]


@question("identities", 80)
def _identities(rnd: Random) -> Any:
    rows = []
    for _ in range(6):
        component = Component(
            rnd.choice([*KINDS, "tide-gauge"]), "holm", rnd.choice(["", "holm-a"]), rnd.choice([None, "", "1"]),
            rnd.choice([None, "", "3", "3/1", "3/1/2"]), rnd.choice([None, "", "SRV-1"]), "Tern-2",
            rnd.choice([None, None, "", "S1"]),
        )  # fmt: skip
        rows.append([repr(component), identity(component), server_key(component), component.place.path()])
    fleet = _fleet(rnd)
    domain = fleet.domains()[0]
    servers = [[s.key, s.place.path(), s.policies, s.clusters, len(s.components)] for s in fleet.servers(domain)]
    pairs = {name: [p.key for p in halves] for name, halves in fleet.pairs(domain).items()}
    return [rows, servers, pairs]


def _tree(rnd: Random) -> Documents:
    """A service's documents with some facts gone, doubled, swapped, or linked elsewhere."""
    made = documents(rnd.choice(["rack", "rack", "chassis", "odd"]))
    made = deepcopy(made)
    values: list[Any] = [
        None, "", "6.1.0", True, False, {"@odata.id": SYSTEM}, to(SYSTEM), to(SYSTEM, MANAGER), to(ADAPTER), [], {},
        {"State": "Absent"}, {"State": "Enabled", "Health": "Critical"}, "S-1", "Gull-2", 7, "x" * 3000,
        to("/elsewhere"),
        {"PartLocation": {"ServiceLabel": "Slot 3", "LocationOrdinalValue": 2, "LocationType": "Slot"}},
        {"PartLocation": {"LocationOrdinalValue": 1, "LocationType": "Bay"}},
    ]  # fmt: skip
    for _ in range(rnd.choice([0, 1, 2, 4, 8])):
        path = rnd.choice(list(made))
        body = made[path]
        key = rnd.choice(list(body))
        match rnd.randrange(6):
            case 0:
                body.pop(key)
            case 1:
                body[key] = deepcopy(rnd.choice(values))
            case 2:
                name = rnd.choice(
                    ["Active", "Staged", "Version", "Location", "Status", "SerialNumber", "Model", "RelatedItem"]
                )
                body[name] = deepcopy(rnd.choice(values))
            case 3:
                copy = deepcopy(body)
                copy["@odata.id"] = f"{path}-2"
                copy["Id"] = "second"
                if rnd.random() < 0.5:
                    copy["Version"] = "5.4.2"
                    copy["Active"] = False
                made[f"{path}-2"] = copy
            case 4:
                other = made[rnd.choice(list(made))]
                body[key] = deepcopy(rnd.choice(list(other.values())))
            case _:
                items = [row for at, row in made.items() if at.startswith(f"{ITEMS}/")]
                if items:
                    rnd.choice(items).update(
                        {"Active": rnd.choice([True, False, None]), "Version": rnd.choice(["6.0.1", ""])}
                    )
    return made


def _entries(rnd: Random) -> list[MapEntry]:
    rows = [
        MapEntry(name="Board logic*", kind="board-logic", slot="3/1"),
        MapEntry(
            odata_id=f"{ITEMS}/*",
            id="nic",
            kind="network-adapter",
            bank=rnd.choice([None, "pending", "spare", "active"]),
        ),
        MapEntry(
            id="cpld", kind="board-logic", of=SYSTEM, model="Gull-9", serial=rnd.choice([None, "S9"]), parent="SRV-9"
        ),
        MapEntry(software_id="*BIOS", skip="by hand"),
        MapEntry(name="*", kind="disk", of=MANAGER, site="skerry", domain="skerry-a", chassis="2", slot="1"),
        MapEntry(service="https://other.holm.example", kind="bios"),
        MapEntry(odata_id=f"{SYSTEM}*", skip="not ours"),
        MapEntry(odata_id=f"{MANAGER}", kind="management-controller", of=SYSTEM, slot="7"),
        MapEntry(odata_id=f"{ADAPTER}*", kind="network-adapter", serial="N9", model="MN-1"),
        MapEntry(id="bmc-a", kind="management-controller", of="/nowhere"),
        MapEntry(id="nic", kind="network-adapter", of="*"),
        MapEntry(id="disks", kind="disk", model="MD-1", slot="4", note="n"),
    ]
    return rnd.sample(rows, rnd.choice([0, 0, 1, 2, 4, 6]))


@question("redfish", 160)
def _redfish(rnd: Random) -> Any:
    readings = []
    entries = _entries(rnd)
    for number in range(rnd.choice([1, 1, 1, 2])):
        tree = Tree(lambda ref: ref.partition("#")[0].rstrip("/") if ref.startswith("/") else None)
        for path, body in _tree(rnd).items():
            kind = type_of(body, "")
            tree.resources[path] = Resource(path, kind, body)
            if kind == "SoftwareInventory":
                tree.items.append(path)
        where = Placement(
            "holm", rnd.choice(["holm-a", ""]), rnd.choice([None, None, "1"]), rnd.choice([None, None, "3"])
        )
        service = f"https://bmc-{number}.holm.example"
        found = place(tree, where, entries, service)
        readings.append((service, found))
    made = [
        ServiceReading(
            s,
            _CLOCK,
            tuple(f.components),
            tuple(f.unmapped),
            tuple(f.problems),
            {},
            tuple(_evidence(f)),
            frozenset(f.used),
        )
        for s, f in readings
    ]
    problems = [named(p, reading.service) for reading in made for p in reading.problems]
    return [[found for _, found in readings], combine(made), unused(entries, made), problems]


def _evidence(found: Any) -> list[ReadingEvidence]:
    return list(found.evidence)


_MAP = """redfish = 1

[[map]]
service = "https://bmc-3.holm.example"
name = "Board logic*"
kind = "board-logic"
slot = "3/1"
bank = "pending"

[[map]]
name = "Driver*"
skip = "no firmware"

[[map]]
id = "cpld"
kind = "tide-gauge"
of = "/redfish/v1/Systems/1"
"""


@question("redfish-maps", 60)
def _maps(rnd: Random) -> Any:
    text = reworded(rnd, _MAP, rnd.choice([0, 1, 2, 3]))
    if rnd.random() < 0.4:
        text += rnd.choice(
            [
                'skip = ""\n',
                "slot = 3\n",
                'bank = "x"\n',
                'zeal = "x"\n',
                'skip = "x"\n',
                "[[map]]\n",
                'model = "Gull-2"\n',
            ]
        )
    return told(lambda: read_map(text.encode(), name="map.toml", own_kinds=("tide-gauge",)))
