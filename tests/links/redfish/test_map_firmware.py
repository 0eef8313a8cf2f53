"""From resources to components: banks, the user's map, what cannot be reported apart; pure, without a server."""

from __future__ import annotations

import ast
import copy
import inspect
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.links.redfish import components as redfish_components
from bundlekeeper.links.redfish import map_firmware
from bundlekeeper.links.redfish import session as redfish_session
from bundlekeeper.links.redfish import walk as redfish_walk
from bundlekeeper.links.redfish.map_firmware import Placed
from bundlekeeper.links.redfish.types import Placement
from bundlekeeper.links.redfish.user_map import MapEntry
from bundlekeeper.links.redfish.walk import type_of
from bundlekeeper.model.inventory.read import InventorySource, read_inventory
from bundlekeeper.model.inventory.types import Inventory
from bundlekeeper.model.inventory.write_toml import to_toml
from tests.kits.firmware_trees import ADAPTER, ITEMS, MANAGER, SYSTEM, banks, only, placed, reasons, to, two
from tests.kits.redfish_bench import WHEN
from tests.kits.redfish_server import Documents, documents


@pytest.fixture
def rack() -> Documents:
    return documents("rack")


# -- banks -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ({"Active": True}, {"Active": False}, ("6.1.0", None, "6.0.1")),
        ({"Active": True}, {"Staged": True}, ("6.1.0", "6.0.1", None)),
        ({"Active": True, "Staged": True}, {"Active": False, "Staged": False}, ("6.1.0", "6.1.0", "6.0.1")),
        ({"Links": {"ActiveTargets": to(MANAGER)}}, {"Links": {"StagedTargets": to(MANAGER)}},
         ("6.1.0", "6.0.1", None)),
        ({}, {"Status": {"State": "StandbySpare"}}, ("6.1.0", None, "6.0.1")),
        ({"Status": {"State": "Enabled"}}, {"Status": {"State": "Disabled"}}, ("6.1.0", None, "6.0.1")),
        ({}, {}, ("6.1.0", None, None)),  # the manager's own FirmwareVersion decides
        ({"Version": "7"}, {}, ("6.1.0", None, None)),  # not one of them is what the manager itself says
        ({"Version": None}, {"Active": False}, ("6.1.0", None, "6.0.1")),
        ({"Active": True, "Version": "7"}, {"Active": False}, ("7", None, "6.0.1")),
        ({"Active": True}, {"Staged": True, "Links": {"ActiveTargets": to(SYSTEM), "StagedTargets": to(SYSTEM)}},
         ("6.1.0", None, None)),
        ({"Active": "yes", "Staged": 1, "Status": "well"}, {"Active": False}, ("6.1.0", None, "6.0.1")),
    ],
)  # fmt: skip
def test_banks(
    rack: Documents, first: dict[str, Any], second: dict[str, Any], expected: tuple[str | None, str | None, str | None]
) -> None:
    """`active` is running, `pending` starts at the next activation, `spare` is neither."""
    assert banks(only(two(rack, first, second), "management-controller")) == expected


def test_two_versions_for_one_bank_make_it_unknown(rack: Documents) -> None:
    del rack[MANAGER]["FirmwareVersion"]
    found = two(rack, {}, {})
    assert banks(only(found, "management-controller")) == (None, None, None)
    assert "several items are active" in reasons(found)["bmc-a"] == reasons(found)["bmc-b"]
    found = two_staged(rack)
    assert banks(only(found, "management-controller")) == (None, None, None)


def two_staged(made: Documents) -> Placed:
    for name in ("bmc-a", "bmc-b"):
        made[f"{ITEMS}/{name}"]["Staged"] = True
    return placed(made)


def test_a_component_that_states_another_version_is_reported(rack: Documents) -> None:
    rack[MANAGER]["FirmwareVersion"] = "6.1.0 (build 7)"
    found = placed(rack)
    assert only(found, "management-controller").active == "6.1.0"
    assert [p.code for p in found.problems if p.code != "not-placed"] == ["version-differs"]


def test_a_blank_never_makes_a_part_go_away(rack: Documents) -> None:
    """Blanking a field of an input may never make an answer better."""
    for path in [p for p in rack if p.startswith(f"{ITEMS}/")]:
        del rack[path]
    before = {c.key for c in placed(copy.deepcopy(rack)).components}
    for path in (SYSTEM, MANAGER, ADAPTER):
        for name in ("BiosVersion", "FirmwareVersion", "Controllers"):
            rack[path].pop(name, None)
    found = placed(rack)
    assert {c.key for c in found.components} == before and len(before) == 6
    assert only(found, "bios").active is None and only(found, "network-adapter").active is None


# -- whole systems ---------------------------------------------------------------------------------------------------


def test_an_item_of_a_whole_system(rack: Documents) -> None:
    for name in ("bios-a", "bios-b"):
        item = rack[f"{ITEMS}/{name}"]
        item["RelatedItem"] = to(SYSTEM)
        del item["Links"]
    found = placed(rack)
    assert banks(only(found, "bios")) == ("6.0.1", "6.1.0", None)  # the second by its SoftwareId
    assert list(reasons(found)) == ["cpld"]
    del rack[SYSTEM]["BiosVersion"]
    found = placed(rack)
    assert banks(only(found, "bios")) == (None, None, None) and set(reasons(found)) == {"bios-a", "bios-b", "cpld"}
    del rack[f"{ITEMS}/bios-b"], rack[f"{ITEMS}/cpld"]
    assert only(placed(rack), "bios").active == "6.0.1"


def test_a_virtual_system_has_no_flash(rack: Documents) -> None:
    rack[SYSTEM]["SystemType"] = "Virtual"
    assert not [c for c in placed(rack).components if c.kind == "bios"]


# -- identity and place ----------------------------------------------------------------------------------------------


def test_what_has_no_identity_is_no_component(rack: Documents) -> None:
    for path in (SYSTEM, MANAGER, "/redfish/v1/Chassis/1"):
        rack[path]["SerialNumber"] = " N/A "
    found = placed(rack)
    assert {c.kind for c in found.components} == {"storage-controller", "network-adapter", "disk"}
    assert "its component has no identity" in reasons(found)["bios-a"] and found.nameless == 0
    del rack[f"{ITEMS}/bmc-a"], rack[f"{ITEMS}/bmc-b"]
    found = placed(rack)
    assert found.nameless == 1 and "no identity" in reasons(found)["bmc"]


def test_one_identity_is_one_component(rack: Documents) -> None:
    rack["/redfish/v1/Systems/1/Storage/1/Drives/1"]["SerialNumber"] = "HOLM-D0"
    found = placed(rack)
    assert len([c for c in found.components if c.kind == "disk"]) == 1
    assert "as /redfish/v1/Systems/1/Storage/1/Drives/0 is;" in reasons(found)["1"]


def test_the_users_placement_wins() -> None:
    found = placed(documents("chassis"), where=Placement("skerry", "skerry-a", chassis="1", slot="7"))
    assert {(c.site, c.domain, c.chassis) for c in found.components} == {("skerry", "skerry-a", "1")}
    assert {c.slot for c in found.components if c.kind == "bios"} == {"7"}


def test_texts_that_do_not_fit_an_inventory(rack: Documents) -> None:
    rack[ADAPTER].update(Model="x" * 5000, SerialNumber="a\n\x1b[31mb\u202e", Location={"PartLocation": []})
    rack[f"{ITEMS}/nic"]["Version"] = "9" * 200
    component = only(placed(rack), "network-adapter")
    assert component.model is None and component.serial == "a\\n\\x1b[31mb\\u202e" and component.active == "6.0.1"


# -- the map ---------------------------------------------------------------------------------------------------------


def test_the_map_names_what_the_service_does_not(rack: Documents) -> None:
    """ "a `[[map]]` that the user edits names it" (issue: what is where)"""
    found = placed(rack, MapEntry(software_id="MR2-LOGIC", kind="board-logic"))
    component = only(found, "board-logic")
    assert (component.parent, component.model, component.active, component.key) == (
        "HOLM-R2",
        "Gull-2",
        "2.10",
        "HOLM-R2:board-logic",
    )
    assert not found.unmapped and found.used == {0} and found.mapped == 8


def test_the_map_comes_before_the_service(rack: Documents) -> None:
    entries = (
        MapEntry(service="https://other.example", name="*", skip="another service"),
        MapEntry(id="bmc-b", kind="management-controller", bank="pending"),
        MapEntry(
            odata_id=f"{ITEMS}/raid", kind="storage-controller", serial="S-1", slot="9/9", model="MS-X", domain="d"
        ),
        MapEntry(name="Disks", skip="not ours"),
        MapEntry(name="Nothing", skip="unused"),
    )
    found = placed(rack, *entries)
    assert banks(only(found, "management-controller")) == ("6.1.0", "6.0.1", None)
    component = only(found, "storage-controller")
    assert (component.serial, component.slot, component.model, component.domain, component.active) == (
        "S-1",
        "9/9",
        "MS-X",
        "d",
        "6.0.1",
    )
    assert found.skipped == 1 and found.used == {1, 2, 3} and list(reasons(found)) == ["cpld"]
    assert [c.active for c in found.components if c.kind == "disk"] == ["5.4.10"] * 2  # of their own word


def test_the_maps_own_places() -> None:
    made = documents("chassis")
    logic = MapEntry(software_id="MB4-LOGIC", kind="board-logic", of="/redfish/v1/Systems/Blade2", slot="2/logic")
    component = only(placed(made, logic), "board-logic")
    assert (component.key, component.chassis, component.slot) == ("SKERRY-B2:board-logic:logic", "MC8", "2/logic")
    table = MapEntry(id="Drivers", kind="model-list", of="/redfish/v1/Chassis/MC8")
    component = only(placed(made, table), "model-list")
    assert (component.parent, component.model, component.active) == ("SKERRY-C1", "Dune-8", "2026.3")
    blank = MapEntry(software_id="MB4-LOGIC", kind="board-logic")
    assert "its component has no identity" in reasons(placed(made, blank))["Blade2.Logic"]
    wrong = MapEntry(software_id="MB4-LOGIC", kind="board-logic", of="/redfish/v1/Systems/9")
    assert "no such resource" in reasons(placed(made, wrong))["Blade2.Logic"]
    every = MapEntry(id="Drivers", kind="board-logic", of="/redfish/v1/Systems/*")
    assert [c.parent for c in placed(made, every).components if c.kind == "board-logic"] == ["SKERRY-B1", "SKERRY-B2"]


def test_two_items_of_one_part_in_the_map(rack: Documents) -> None:
    rack[f"{ITEMS}/cpld-2"] = {**rack[f"{ITEMS}/cpld"], "Id": "cpld-2", "Version": "2.9", "@odata.id": "x"}
    entries = (
        MapEntry(id="cpld", kind="board-logic", bank="active"),
        MapEntry(id="cpld-2", kind="board-logic", bank="spare"),
    )
    assert banks(only(placed(rack, *entries), "board-logic")) == ("2.10", None, "2.9")
    found = placed(rack, MapEntry(id="cpld*", kind="board-logic"))
    assert only(found, "board-logic").active is None and set(reasons(found)) == {"cpld", "cpld-2"}


def test_the_map_means_the_component_that_exists(rack: Documents) -> None:
    """ "A `[[map]]` entry for a component that exists means that component": no second one of it is made."""
    for name in ("bios-a", "bios-b", "raid", "nic"):
        item = rack[f"{ITEMS}/{name}"]
        for key in ("RelatedItem", "Links", "Active", "Staged"):
            item.pop(key, None)
    kinds = sorted(c.kind for c in placed(rack).components)
    entries = (
        MapEntry(id="bios-a", kind="bios"),
        MapEntry(id="bios-b", kind="bios", of=SYSTEM, bank="pending"),
        MapEntry(id="raid", kind="storage-controller", of=SYSTEM),
        MapEntry(id="nic", kind="network-adapter", of="/redfish/v1/Chassis/1", slot="7/3"),
        MapEntry(id="cpld", skip="not ours"),
    )
    found = placed(rack, *entries)
    assert not found.unmapped and sorted(c.kind for c in found.components) == kinds
    assert banks(only(found, "bios")) == ("6.0.1", "6.1.0", None)
    assert only(found, "storage-controller").serial == "HOLM-R2-SC"
    component = only(found, "network-adapter")
    assert (component.serial, component.slot, component.active) == ("HOLM-N2", "7/3", "6.0.1")


def test_which_of_several_the_map_means(rack: Documents) -> None:
    disks = rack[f"{ITEMS}/disks"]
    del disks["RelatedItem"]
    found = placed(rack, MapEntry(id="disks", kind="disk"))
    assert "has 2 components of the kind disk" in reasons(found)["disks"] and "serial" in reasons(found)["disks"]
    disks["Version"] = "9.9"
    for reported in ({"serial": "HOLM-D1"}, {"slot": "4/2"}, {"of": "/redfish/v1/Systems/1/Storage/1/Drives/1"}):
        found = placed(rack, MapEntry(id="disks", kind="disk", **reported))
        assert {c.serial: c.active for c in found.components if c.kind == "disk"} == {
            "HOLM-D0": "5.4.10",
            "HOLM-D1": "9.9",
        }
    found = placed(rack, MapEntry(id="disks", kind="disk", serial="HOLM-D2"))  # one that the service does not list
    assert [c.serial for c in found.components if c.kind == "disk"] == ["HOLM-D0", "HOLM-D1", "HOLM-D2"]


def test_the_map_of_one_blade_means_that_blade() -> None:
    made = documents("chassis")
    for name in ("Blade1.BIOS", "Blade2.BIOS"):
        del made[f"{ITEMS}/{name}"]["RelatedItem"]
    kinds = sorted(c.key for c in placed(made).components)
    found = placed(
        made, *(MapEntry(id=f"Blade{n}.BIOS", kind="bios", of=f"/redfish/v1/Systems/Blade{n}") for n in (1, 2))
    )
    assert sorted(c.key for c in found.components) == kinds
    assert [c.active for c in found.components if c.kind == "bios"] == ["5.4.2", "5.4.10"]
    assert {"Blade1.BIOS", "Blade2.BIOS"}.isdisjoint(reasons(found))
    found = placed(made, MapEntry(id="Blade*.BIOS", kind="bios"))
    assert "has 2 components of the kind bios" in reasons(found)["Blade1.BIOS"]


def test_the_map_adds_what_a_component_lacks(rack: Documents) -> None:
    """An entry with a component's own address tells of the component; what was drafted for it can be given back."""
    for path in (SYSTEM, MANAGER, "/redfish/v1/Chassis/1"):
        rack[path]["SerialNumber"] = " N/A "
    del rack[f"{ITEMS}/bmc-a"], rack[f"{ITEMS}/bmc-b"]
    (row,) = [u for u in placed(rack).unmapped if u.odata_id == MANAGER]
    assert row.kind == "management-controller"
    found = placed(rack, MapEntry(odata_id=MANAGER, kind="management-controller", serial="HOLM-M1", slot="2"))
    component = only(found, "management-controller")
    assert (component.serial, component.slot, component.active) == ("HOLM-M1", "2", "6.1.0") and found.used == {0}
    found = placed(rack, MapEntry(odata_id=MANAGER, kind="management-controller", of=ADAPTER))
    assert only(found, "management-controller").parent == "HOLM-N2"
    found = placed(rack, MapEntry(odata_id=MANAGER, skip="not ours"))
    assert MANAGER not in {u.odata_id for u in found.unmapped} and found.used == {0} and found.nameless == 0


def test_a_manager_without_a_kind_is_listed(rack: Documents) -> None:
    rack["/redfish/v1/Managers/2"] = {
        **rack[MANAGER],
        "ManagerType": "RackManager",
        "Id": "2",
        "SerialNumber": "HOLM-M2",
    }
    assert (
        reasons(placed(rack))["2"]
        == "/redfish/v1/Managers/2 is a manager of the type RackManager: its kind is not known"
    )
    found = placed(rack, MapEntry(odata_id="/redfish/v1/Managers/2", kind="domain-manager"))
    assert only(found, "domain-manager").active == "6.1.0"


def test_a_draft_names_what_the_item_is_of(rack: Documents) -> None:
    def of(found: Placed) -> dict[str | None, tuple[str | None, str | None]]:
        return {u.id: (u.kind, u.of) for u in found.unmapped}

    assert of(placed(rack)) == {"cpld": (None, SYSTEM)}
    del rack[f"{ITEMS}/cpld"]["RelatedItem"]
    assert of(placed(rack)) == {"cpld": (None, SYSTEM)}  # the only one there is
    made = documents("chassis")
    assert of(placed(made))["Blade2.Logic"] == (None, None)  # of two servers neither is likelier
    del rack[MANAGER]["FirmwareVersion"]
    assert of(two(rack, {}, {}))["bmc-b"] == ("management-controller", MANAGER)


@pytest.mark.parametrize(
    ("own", "same"), [("6.0.1 (2026-03-04)", True), ("6.0.1  x", True), ("6.0.1-rc", False), ("6.0.10", False)]
)
def test_a_bios_version_with_more_behind_a_blank(rack: Documents, own: str, same: bool) -> None:
    """`BiosVersion` that is an item's version followed by a blank and more is the same."""
    rack[SYSTEM]["BiosVersion"] = own
    found = placed(rack)
    assert only(found, "bios").active == "6.0.1"
    assert [p.code for p in found.problems if p.code != "not-placed"] == [] if same else ["version-differs"]
    for name in ("bios-a", "bios-b"):
        rack[f"{ITEMS}/{name}"] |= {"RelatedItem": to(SYSTEM), "Links": {}, "Active": None}
    found = placed(rack)
    assert banks(only(found, "bios")) == (("6.0.1", "6.1.0", None) if same else (own, None, None))
    rack[f"{ITEMS}/bios-b"] |= {"Staged": None}
    for name in ("bios-a", "bios-b"):
        rack[f"{ITEMS}/{name}"] |= {"RelatedItem": to(f"{SYSTEM}/Bios")}
    found = placed(rack)
    assert only(found, "bios").active == ("6.0.1" if same else own)
    assert ("bios-b" in reasons(found)) and ("bios-a" in reasons(found)) is not same


# -- names and hostile documents -------------------------------------------------------------------------------------

# DMTF DSP8010 2025.4.
SOFTWARE_INVENTORY = {
    "Id", "Name", "Version", "Updateable", "LowestSupportedVersion", "SoftwareId", "RelatedItem", "ReleaseDate",
    "WriteProtected", "AdditionalVersions", "VersionScheme", "Staged", "Active", "ResetRequiredOnUpdate", "Links",
    "ActiveTargets", "StagedTargets", "SizeBytes",
}  # fmt: skip
UPDATE_SERVICE = {"FirmwareInventory", "SoftwareInventory", "ServiceEnabled", "MaxImageSizeBytes", "LocalImageStore"}
PROTOCOL = {
    "UserName",
    "Password",
    "X-Auth-Token",
    "Location",
    "Members@odata.nextLink",
    "Members@odata.count",
    "Members",
}
# Types and properties of other schemas, from memory; the emulator's answers use the same names.
FROM_MEMORY = {
    "UpdateService", "Systems", "Managers", "Chassis", "Fabrics", "Switches", "SessionService", "Sessions",
    "ComputerSystem", "Manager", "Storage", "StorageController", "StorageControllers", "Controllers", "Drive", "Drives",
    "NetworkAdapter", "NetworkAdapters", "NetworkInterface", "Fabric", "Switch", "Bios", "BiosVersion", "SystemType",
    "Physical", "ManagerType", "BMC", "ManagementController", "EnclosureManager", "ManagerForServers",
    "ManagerForChassis", "ManagerInChassis", "ActiveSoftwareImage", "SoftwareImages", "FirmwareVersion", "Revision",
    "FirmwarePackageVersion", "SerialNumber", "Model", "PartNumber", "MemberId", "ChassisType", "Enclosure",
    "ComputerSystems", "ContainedBy", "Status", "State", "Health", "OK", "Warning", "Critical", "Absent", "Disabled",
    "TrustedComponents", "TrustedComponent",
    "StandbySpare", "StandbyOffline", "PhysicalLocation", "PartLocation", "LocationOrdinalValue", "ServiceLabel",
}  # fmt: skip
# Words of HTTP (RFC 9110) and the like, no names of resources.
HTTP = {
    "GET",
    "POST",
    "DELETE",
    "Accept",
    "Content-Type",
    "Content-Length",
    "Authorization",
    "OData-Version",
    "If-None-Match",
}


def test_the_names_that_are_read_are_dmtfs() -> None:
    """Every name in the sources that looks like one of a resource stands in DSP8010 2025.4 as far as it is listed."""
    found: set[str] = set()
    for module in (map_firmware, redfish_components, redfish_session, redfish_walk):
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value[:1].isupper():
                found |= {node.value} if node.value.replace("-", "").replace("@odata.", "").isalnum() else set()
    found -= redfish_walk.COLLECTIONS  # from memory; the emulator's answers tell whether one that it has is missing
    assert found <= SOFTWARE_INVENTORY | UPDATE_SERVICE | PROTOCOL | FROM_MEMORY | HTTP
    assert {"RelatedItem", "Staged", "Active", "ActiveTargets", "StagedTargets", "AdditionalVersions"} <= found


def test_the_fixtures_use_dmtfs_names() -> None:
    met: set[str] = set()
    for name in ("rack", "chassis", "odd"):
        for body in documents(name).values():
            kind = type_of(body, "")
            own = {key for key in body if not key.startswith("@")} - {"Id", "Name", "Status"}
            if kind == "SoftwareInventory":
                assert own <= SOFTWARE_INVENTORY
            elif kind == "UpdateService":
                assert own <= UPDATE_SERVICE
            met.add(kind)
    assert {"SoftwareInventory", "UpdateService"} <= met


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-5, 10**20)
    | st.text(max_size=8)
    | st.sampled_from([SYSTEM, MANAGER, ADAPTER]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["@odata.id", "Links", "Members", "PartLocation", "State"]), inner, max_size=3
        )
    ),
    max_leaves=6,
)


def slots(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    rows = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(place for key, each in rows for place in slots(each, (*path, key)))]


@given(st.sampled_from(["rack", "chassis", "odd"]), st.data())
def test_any_value_anywhere(name: str, data: st.DataObject) -> None:
    """Whatever a service says: nothing is raised, the counts add up, and what comes out can be read as an inventory."""
    made = json.loads(json.dumps(documents(name)))
    for _ in range(data.draw(st.integers(1, 4))):
        *way, last = data.draw(st.sampled_from([p for p in slots(made) if len(p) > 1]))
        inner: Any = made
        for key in way:
            inner = inner[key]
        inner[last] = data.draw(VALUES)
        made = {path: body for path, body in made.items() if isinstance(body, dict)}
    found = placed(made, MapEntry(name="Board*", kind="board-logic"), MapEntry(id="Drivers", skip="none"))
    if found.components:
        inventory = Inventory(WHEN, "UTC", tuple(found.components))
        assert read_inventory([InventorySource("x.toml", to_toml(inventory).encode(), "toml")]) == inventory
