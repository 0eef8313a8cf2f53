"""Wherever a service has two of something, the second counts: controllers, items, pages, chassis, entries, services.

With the second left out of the source, a test here goes red.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from bundlekeeper.cli import options
from bundlekeeper.cli.commands import inventory, inventory_read
from bundlekeeper.cli.screen.run import dispatch
from bundlekeeper.errors import InputError
from bundlekeeper.jobs.recording import inventory_read as job
from bundlekeeper.links.redfish.cache import Cache
from bundlekeeper.links.redfish.read import combine, read_many, unused
from bundlekeeper.links.redfish.types import Credentials, ServiceReading
from bundlekeeper.links.redfish.user_map import MapEntry
from bundlekeeper.model.inventory.types import Component
from tests.kits.firmware_trees import ADAPTER, MANAGER, SYSTEM, banks, only, placed, reasons, to, two
from tests.kits.local_server import Authority
from tests.kits.redfish_bench import ITEMS, PLACE, QUICK, WHEN, WHO, Bench, raw
from tests.kits.redfish_collections import collection, item, trusted
from tests.kits.redfish_server import PASSWORD, USER, Documents, World, documents

STORAGE = f"{SYSTEM}/Storage/1"
CHASSIS = "/redfish/v1/Chassis/1"
HOLM = ("--site", "holm", "--domain", "holm-a")


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def bench(authority: Authority) -> Iterator[Bench]:
    with ExitStack() as stack:
        yield Bench(authority, stack)


@pytest.fixture
def rack() -> Documents:
    return documents("rack")


# -- controllers -----------------------------------------------------------------------------------------------------


def test_two_controllers_of_one_storage(rack: Documents) -> None:
    """`#/StorageControllers/1` is the second one (RFC 6901 §6, a JSON pointer as a fragment)."""
    (first,) = rack[STORAGE]["StorageControllers"]
    rack[STORAGE]["StorageControllers"].append({**first, "MemberId": "1", "SerialNumber": "HOLM-R2-SC2"})
    rack[f"{ITEMS}/raid"]["RelatedItem"] = to(f"{STORAGE}#/StorageControllers/1")
    rack[f"{ITEMS}/raid"]["Version"] = "7.0.0"
    found = placed(rack)
    assert {c.serial: (c.active, c.slot) for c in found.components if c.kind == "storage-controller"} == {
        "HOLM-R2-SC": ("6.0.1", "/0"),
        "HOLM-R2-SC2": ("7.0.0", "/1"),
    }
    rack[f"{ITEMS}/raid"]["RelatedItem"] = to(STORAGE)
    assert reasons(placed(rack))["raid"] == f"{STORAGE} has 2 controllers"


def test_two_controllers_in_a_collection() -> None:
    made = documents("chassis")
    path = "/redfish/v1/Systems/Blade1/Storage/1/Controllers"
    made[f"{path}/1"] = {**made[f"{path}/0"], "Id": "1"}
    found = placed(made)
    assert reasons(found)["Blade1.RAID"] == "/redfish/v1/Systems/Blade1/Storage/1 has 2 controllers"
    slots = [c.slot for c in found.components if c.kind == "storage-controller"]
    assert slots == ["1/0", "2/0", "1/1"]


def test_an_adapter_with_two_controllers(rack: Documents) -> None:
    del rack[f"{ITEMS}/nic"]
    rack[ADAPTER]["Controllers"] = [{"FirmwarePackageVersion": "6.0.1"}, {"FirmwarePackageVersion": "6.1.0"}]
    assert only(placed(rack), "network-adapter").active is None


# -- items and banks -------------------------------------------------------------------------------------------------


def test_both_systems_of_a_chassis_get_their_bios() -> None:
    found = placed(documents("chassis"))
    assert found.mapped == 9 and {"Blade1.BIOS", "Blade2.BIOS"}.isdisjoint(reasons(found))


def test_one_image_of_two_managers(rack: Documents) -> None:
    rack["/redfish/v1/Managers/2"] = {**rack[MANAGER], "Id": "2", "SerialNumber": "HOLM-M2"}
    images = {"ActiveSoftwareImage": to(f"{ITEMS}/bmc-a")[0], "SoftwareImages": to(f"{ITEMS}/bmc-a", f"{ITEMS}/bmc-b")}
    for path in (MANAGER, "/redfish/v1/Managers/2"):
        rack[path]["Links"] = {**rack[path]["Links"], **images}
        del rack[path]["FirmwareVersion"]
    for name in ("bmc-a", "bmc-b"):
        for key in ("RelatedItem", "Active", "Staged"):
            del rack[f"{ITEMS}/{name}"][key]
    found = placed(rack)
    managers = [c for c in found.components if c.kind == "management-controller"]
    assert [banks(c) for c in managers] == [("6.1.0", None, "6.0.1")] * 2


def test_one_item_of_two_parts_by_their_targets_and_by_the_map(rack: Documents) -> None:
    drives = [f"{STORAGE}/Drives/{n}" for n in (0, 1)]
    rack[f"{ITEMS}/disks"]["Links"] = {"StagedTargets": to(*drives)}
    assert [banks(c)[1] for c in placed(rack).components if c.kind == "disk"] == ["5.4.10"] * 2
    del rack[f"{ITEMS}/disks"]["Links"]
    found = placed(rack, MapEntry(id="disks", kind="disk", bank="spare"))
    assert [banks(c)[2] for c in found.components if c.kind == "disk"] == ["5.4.10"] * 2


def test_all_that_two_items_state_is_evidence(rack: Documents) -> None:
    rack[f"{ITEMS}/bios-a"]["AdditionalVersions"] = {"Microcode": "0x2b", "Loader": "1.2"}
    rack[f"{ITEMS}/bios-b"]["AdditionalVersions"] = {"Bootloader": "1.3"}
    (row,) = [e for e in placed(rack).evidence if e.component == "HOLM-R2:bios"]
    assert row.items == (f"{ITEMS}/bios-a", f"{ITEMS}/bios-b")
    assert row.additional == {"Microcode": "0x2b", "Loader": "1.2", "Bootloader": "1.3"}


def test_every_item_that_was_not_placed_has_a_reason(rack: Documents) -> None:
    rack[f"{ITEMS}/bmc-c"] = {**rack[f"{ITEMS}/bmc-b"], "Id": "bmc-c"}
    del rack[f"{ITEMS}/bmc-c"]["Active"]
    found = two(rack, {}, {"Active": True, "Version": "6.1.0"})
    assert only(found, "management-controller").active == "6.1.0"
    assert all("another item is active" in reasons(found)[name] for name in ("bmc-a", "bmc-c"))


def test_an_entry_with_serial_and_slot_or_a_parent(rack: Documents) -> None:
    del rack[f"{ITEMS}/disks"]["RelatedItem"]
    rack[f"{STORAGE}/Drives/0"].pop("SerialNumber")
    rack[f"{STORAGE}/Drives/1"].pop("SerialNumber")
    rack[f"{ITEMS}/disks"]["Version"] = "9.9"
    found = placed(rack, MapEntry(id="disks", kind="disk", serial="HOLM-D1", slot="4/2"))
    assert {c.slot: (c.serial, c.active) for c in found.components if c.kind == "disk"} == {
        "/1": (None, "5.4.10"),
        "4/2": ("HOLM-D1", "9.9"),
    }
    made = documents("chassis")
    del made[f"{ITEMS}/Blade2.BIOS"]["RelatedItem"]
    found = placed(made, MapEntry(id="Blade2.BIOS", kind="bios", parent="SKERRY-B2"))
    assert "Blade2.BIOS" not in reasons(found) and len([c for c in found.components if c.kind == "bios"]) == 2


def test_the_second_entry_about_a_part_counts(rack: Documents) -> None:
    first, second = (MapEntry(odata_id=path, kind="disk", slot="x") for path in ("/nowhere", f"{STORAGE}/Drives/1"))
    found = placed(rack, first, second)
    assert [c.slot for c in found.components if c.kind == "disk"] == ["/1", "x"] and found.used == {1}


# -- whose a component is, where there are two
# ----------------------------------------------------------------------------


def second_system(made: Documents) -> None:
    made["/redfish/v1/Systems/2"] = {**made[SYSTEM], "SerialNumber": "HOLM-R3", "Links": {}, "Storage": {}}


def test_of_two_servers_none_is_the_parent(rack: Documents) -> None:
    second_system(rack)
    rack[MANAGER]["Links"]["ManagerForServers"] = to(SYSTEM, "/redfish/v1/Systems/2")
    rack[CHASSIS]["Links"]["ComputerSystems"] = to(SYSTEM, "/redfish/v1/Systems/2")
    rack[MANAGER]["SerialNumber"] = "HOLM-M1"
    found = placed(rack)
    assert only(found, "management-controller").parent is None and only(found, "network-adapter").parent is None


def test_of_two_chassis_none_is_the_servers_own(rack: Documents) -> None:
    rack["/redfish/v1/Chassis/2"] = {**rack[CHASSIS], "SerialNumber": "HOLM-C2"}
    rack[SYSTEM]["Links"]["Chassis"] = to(CHASSIS, "/redfish/v1/Chassis/2")
    del rack[SYSTEM]["SerialNumber"]
    assert not [c for c in placed(rack).components if c.kind == "bios"]
    rack["/redfish/v1/Chassis/2"]["Links"] = {"ComputerSystems": to(SYSTEM, "/redfish/v1/Systems/2")}  # shared
    assert only(placed(rack), "bios").parent == "HOLM-R2"


def test_of_two_enclosures_none_is_the_managers() -> None:
    made = documents("chassis")
    made["/redfish/v1/Chassis/MC9"] = {**made["/redfish/v1/Chassis/MC8"], "Id": "MC9", "SerialNumber": "SKERRY-C2"}
    made["/redfish/v1/Managers/EM"]["Links"]["ManagerForChassis"] += to("/redfish/v1/Chassis/MC9")
    assert only(placed(made), "chassis-controller").parent is None


# -- how far a reading goes ------------------------------------------------------------------------------------------


def test_second_storage_fabric_inventory_and_images_are_read(bench: Bench, rack: Documents) -> None:
    drive = {**rack[f"{STORAGE}/Drives/0"], "SerialNumber": "HOLM-D9"}
    rack[f"{SYSTEM}/Storage"]["Members"] += to(f"{SYSTEM}/Storage/2")
    rack[f"{SYSTEM}/Storage/2"] = {**rack[STORAGE], "StorageControllers": [], "Drives": to(f"{SYSTEM}/Storage/2/D")}
    rack[f"{SYSTEM}/Storage/2/D"] = drive
    fabrics = {name: {"Switches": to(f"/redfish/v1/Fabrics/{name}/Switches")[0]} for name in ("A", "B")}
    rack["/redfish/v1"]["Fabrics"] = collection(rack, "/redfish/v1/Fabrics", **fabrics)
    for name in fabrics:
        switch = {"@odata.type": "#Switch.v1_9_0.Switch", "SerialNumber": f"HOLM-F{name}", "FirmwareVersion": "6.0.1"}
        collection(rack, f"/redfish/v1/Fabrics/{name}/Switches", one=switch)
    rack[CHASSIS]["Oem"] = {
        "First": {"FirmwareInventory": collection(rack, "/redfish/v1/Own/1", **{"own-1": item("1")})},
        "Second": [{}, {"FirmwareInventory": collection(rack, "/redfish/v1/Own/2", **{"own-2": item("2")})}],
    }
    rack["/redfish/v1/Chassis"]["Members"] += to("/redfish/v1/Chassis/2")
    own = collection(rack, "/redfish/v1/Own/3", **{"own-3": item("3", f"{CHASSIS}/PCIeDevices/1")})
    rack["/redfish/v1/Chassis/2"] = {"@odata.type": "#Chassis.v1_27_0.Chassis", "Id": "2", "FirmwareInventory": own}
    rack[f"{CHASSIS}/PCIeDevices/1"] = {"@odata.type": "#PCIeDevice.v1_9_0.PCIeDevice", "Id": "1"}
    collection(rack, "/redfish/v1/Images", **{"im-1": item("1"), "im-2": item("2")})
    components = {
        f"T{n}": trusted("1", Links={"SoftwareImages": to(f"/redfish/v1/Images/im-{n}")}, SerialNumber=f"T{n}")
        for n in (1, 2)
    }
    rack[CHASSIS]["TrustedComponents"] = collection(rack, f"{CHASSIS}/TrustedComponents", **components)
    reading = bench.read(bench.serve(World(rack)))
    assert {"HOLM-D9", "HOLM-FA", "HOLM-FB"} <= {c.serial for c in reading.components}
    assert {"own-1", "own-2", "own-3", "im-1", "im-2"} <= {u.id for u in reading.unmapped}
    assert [u.reason for u in reading.unmapped if u.id == "own-3"] == [
        f"{CHASSIS}/PCIeDevices/1 is of the type PCIeDevice: its kind is not known"
    ]


def test_what_targets_alone_name_is_read(bench: Bench, rack: Documents) -> None:
    """`Links.ActiveTargets` and `Links.StagedTargets` lead to resources that no collection lists."""
    for name, key in (("bmc-a", "ActiveTargets"), ("bmc-b", "StagedTargets")):
        where = f"/redfish/v1/Switches/{key}"
        rack[f"{ITEMS}/{name}"] |= {"RelatedItem": [], "Links": {key: to(where)}}
        rack[where] = {"@odata.type": "#Switch.v1_9_0.Switch", "Id": key, "SerialNumber": key}
    reading = bench.read(bench.serve(World(rack)))
    assert {c.serial: banks(c) for c in reading.components if c.kind == "fabric-switch"} == {
        "ActiveTargets": ("6.1.0", None, None),
        "StagedTargets": (None, "6.0.1", None),
    }


# -- services --------------------------------------------------------------------------------------------------------


def test_each_of_two_services_has_its_own_cache_and_credentials(bench: Bench) -> None:
    servers = [bench.serve("rack"), bench.serve("chassis")]
    caches = {s.url: Cache() for s in servers}
    wrong = Credentials(USER, "wrong")

    def read(who: dict[str, Credentials]) -> list[ServiceReading | None]:
        outcomes = read_many(
            [s.url for s in servers], who.get, placement=PLACE, clock=lambda: WHEN, ca=bench.authority.path,
            limits=QUICK, caches=caches,
        )  # fmt: skip
        return [o.reading for o in outcomes]

    assert all(read({s.url: WHO for s in servers}))
    again = read({s.url: WHO for s in servers})
    assert all(r is not None and r.counts["not_modified"] > 9 for r in again)
    assert all(any(c.get(USER, f"{s.url}{ITEMS}") for c in [caches[s.url]]) for s in servers)
    assert [r is not None for r in read({servers[0].url: WHO, servers[1].url: wrong})] == [True, False]
    with pytest.raises(InputError, match="twice"):
        read_many([s.url for s in (*servers, servers[1])], lambda _: WHO, placement=PLACE, clock=lambda: WHEN)


def with_bank(component: Component, bank: str, version: str | None) -> Component:
    return replace(component, pending=version) if bank == "pending" else replace(component, spare=version)


def test_what_the_second_of_two_readings_adds(bench: Bench) -> None:
    first = bench.read(bench.serve("rack"))
    other = bench.read(bench.serve("chassis"), entries=(MapEntry(id="x", kind="disk"), MapEntry(id="Switch", skip="y")))
    assert len(combine([first, other])[0]) == len(first.components) + len(other.components)
    assert [p.subject for p in unused([MapEntry(id="x"), MapEntry(id="Switch")], [first, other])] == ["map[0]"]
    for bank in ("pending", "spare"):
        components = [with_bank(first.components[0], bank, version) for version in ("1", "2", None)]
        readings = [replace(first, components=(component,)) for component in components]
        both, problems = combine(readings[:2])
        assert getattr(both[0], bank) == "1" and [p.message.partition(" by")[0] for p in problems] == [f"{bank} is 1"]
        (known,), _ = combine([readings[2], readings[1]])
        assert getattr(known, bank) == "2"


def test_the_report_of_four_services_two_of_which_fail(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    good = [bench.serve("rack"), bench.serve("chassis")]
    basic = World(documents("rack"), sessions_exist=False)
    bad = [bench.serve(basic), bench.serve(World(documents("rack"), faults={"/redfish/v1": raw(b"[]")}))]
    moments = iter([WHEN, WHEN.replace(hour=9), WHEN])
    monkeypatch.setattr(options, "now", lambda: next(moments))
    monkeypatch.setenv(inventory_read.PASSWORD, PASSWORD)
    if "read" not in {c.name for c in inventory.app.registered_commands}:
        inventory_read.register(inventory.app)
    urls = [s.url for s in (*good, *bad)]
    arguments = ["inventory", "read", *urls, *HOLM, "--jobs", "1", "--user", USER, "--ca", str(bench.authority.path)]
    assert dispatch([*arguments, "--json", "-o", str(tmp_path / "all.json")]) == 3  # the first that failed says 2
    reported = json.loads(capsys.readouterr().out)
    assert [s["service"] for s in reported["services"]] == urls and reported["counts"]["items"] == 8 + 11
    assert [s["complete"] for s in reported["services"]] == [True, True, False, False]
    assert [f["subject"] for f in reported["findings"] if f["code"] == "unreadable"] == urls[2:]
    assert reported["inventory"]["read_at"].startswith("2026-11-25T09")  # the oldest word counts


def test_a_password_for_two_services_and_a_netrc_with_two(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    ledger = tmp_path / "netrc"
    ledger.write_text("machine a.example login one password first\nmachine b.example login two password second\n")
    ledger.chmod(0o600)
    who = job.who(job.LogIn(None, ledger, False, inventory_read.password))
    reported = [who(f"https://{name}.example") for name in "abc"]
    assert [(c.user, c.password) if c else None for c in reported] == [("one", "first"), ("two", "second"), None]
    monkeypatch.setenv(inventory_read.PASSWORD, "only-once")
    asked = job.who(job.LogIn("one", None, False, inventory_read.password))
    first = asked("https://a.example")
    monkeypatch.delenv(inventory_read.PASSWORD)
    assert first == asked("https://b.example") and first is not None and first.password == "only-once"
