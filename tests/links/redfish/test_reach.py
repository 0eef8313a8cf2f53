"""How far a reading of a Redfish service goes, and that what it left out is named.

Source: DMTF DSP8010 2025.4 (Chassis.TrustedComponents, TrustedComponent), names from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.links.redfish.read import read_service
from bundlekeeper.links.redfish.user_map import MapEntry
from tests.kits.local_server import Authority
from tests.kits.redfish_bench import ITEMS, PLACE, WHEN, WHO, Bench, codes
from tests.kits.redfish_collections import collection, item, trusted
from tests.kits.redfish_server import Documents
from tests.kits.redfish_server import documents as fixture

SYSTEM, CHASSIS, MANAGER = "/redfish/v1/Systems/1", "/redfish/v1/Chassis/1", "/redfish/v1/Managers/bmc"
TRUSTED = f"{CHASSIS}/TrustedComponents"


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def bench(authority: Authority) -> Iterator[Bench]:
    with ExitStack() as stack:
        yield Bench(authority, stack)


@pytest.fixture
def world(bench: Bench) -> Documents:
    """The documents of a rack server."""
    return fixture("rack")


# -- trusted components ----------------------------------------------------------------------------------------------


def test_trusted_components_are_read_and_listed(bench: Bench, world: Documents) -> None:
    """Two of them: neither is passed over in silence, and a map places both."""
    world[CHASSIS]["TrustedComponents"] = collection(
        world, TRUSTED, A=trusted("3.1", SerialNumber="HOLM-T1"), B=trusted("3.2")
    )
    reading = bench.read(bench.serve_documents(world))
    assert {u.odata_id: (u.version, u.reason) for u in reading.unmapped if u.id != "cpld"} == {
        f"{TRUSTED}/A": ("3.1", f"{TRUSTED}/A is of the type TrustedComponent: its kind is not known"),
        f"{TRUSTED}/B": ("3.2", f"{TRUSTED}/B is of the type TrustedComponent: its kind is not known"),
    }
    entries = (
        MapEntry(odata_id=f"{TRUSTED}/A", kind="board-logic"),
        MapEntry(odata_id=f"{TRUSTED}/B", kind="board-logic", serial="HOLM-T2", slot="/9"),
    )
    reading = bench.read(bench.serve_documents(world), entries=entries)
    assert reading.used == {0, 1} and [u.id for u in reading.unmapped] == ["cpld"]
    assert {(c.serial, c.parent, c.active) for c in reading.components if c.kind == "board-logic"} == {
        ("HOLM-T1", "HOLM-R2", "3.1"),
        ("HOLM-T2", "HOLM-R2", "3.2"),
    }


def test_the_images_of_trusted_components_are_items(bench: Bench, world: Documents) -> None:
    links = {
        "ActiveSoftwareImage": {"@odata.id": "/redfish/v1/Images/1"},
        "SoftwareImages": [{"@odata.id": "/redfish/v1/Images/1"}, {"@odata.id": "/redfish/v1/Images/2"}],
    }
    collection(world, "/redfish/v1/Images", **{"1": item("3.1"), "2": item("3.0")})
    world[CHASSIS]["TrustedComponents"] = collection(world, TRUSTED, A=trusted("3.1", Links=links))
    server = bench.serve_documents(world)
    reading = bench.read(server)
    assert [u.odata_id for u in reading.unmapped if "Images" in u.odata_id] == [
        f"/redfish/v1/Images/{n}" for n in (1, 2)
    ]
    assert ("outside-collection", "2") in codes(reading)
    reading = bench.read(server, entries=(MapEntry(odata_id=f"{TRUSTED}/A", kind="board-logic"),))
    (component,) = [c for c in reading.components if c.kind == "board-logic"]
    assert (component.active, component.spare, component.parent) == ("3.1", "3.0", "HOLM-R2")


# -- other update services -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("where", [SYSTEM, CHASSIS, MANAGER])
@pytest.mark.parametrize("how", ["service", "inventory", "deep"])
def test_every_link_to_firmware_items_is_followed(bench: Bench, world: Documents, where: str, how: str) -> None:
    """Systems, chassis and managers may link an update service or an inventory of their own."""
    inventory = collection(world, f"{where}/FirmwareInventory", X=item("2.0", MANAGER), Y=item("3.0"))
    if how == "service":
        world[f"{where}/UpdateService"] = {"FirmwareInventory": inventory}
        world[where]["UpdateService"] = {"@odata.id": f"{where}/UpdateService"}
    elif how == "inventory":
        world[where]["FirmwareInventory"] = inventory
    else:
        world[where]["Oem"] = {"Harbour": [{"FirmwareInventory": inventory}]}
    reading = bench.read(bench.serve_documents(world))
    assert reading.counts["items"] == 10 and [u.id for u in reading.unmapped] == ["cpld", "X", "Y"]
    assert not any(code == "outside-collection" for code, _ in codes(reading))


def test_a_link_to_what_was_read_already_reads_nothing_twice(bench: Bench, world: Documents) -> None:
    for where in (SYSTEM, CHASSIS, MANAGER):
        world[where]["UpdateService"] = {"@odata.id": "/redfish/v1/UpdateService"}
        world[where]["FirmwareInventory"] = {"@odata.id": ITEMS}
    server = bench.serve_documents(world)
    assert bench.read(server).counts["items"] == 8
    asked = [a.path for a in server.world.asked]
    assert len(set(asked)) == len(asked)


# -- what was not read -----------------------------------------------------------------------------------------------


def test_each_collection_that_is_linked_and_not_read_is_named(bench: Bench, world: Documents) -> None:
    world["/redfish/v1"]["Cables"] = {"@odata.id": "/redfish/v1/Cables"}
    world["/redfish/v1/UpdateService"]["SoftwareInventory"] = {"@odata.id": "/redfish/v1/UpdateService/Software"}
    world[SYSTEM] |= {name: {"@odata.id": f"{SYSTEM}/{name}"} for name in ("Processors", "Memory")}
    world[CHASSIS]["Memory"] = {"@odata.id": f"{CHASSIS}/Memory"}
    world[CHASSIS]["PCIeDevices"] = {"@odata.id": f"{CHASSIS}/PCIeDevices"}
    server = bench.serve_documents(world)
    reading = bench.read(server)
    assert sorted(reading.unread) == [
        "/redfish/v1/Cables",
        f"{CHASSIS}/Memory",
        f"{CHASSIS}/PCIeDevices",
        f"{SYSTEM}/Memory",
        f"{SYSTEM}/Processors",
        "/redfish/v1/UpdateService/Software",
    ]
    (problem,) = [p for p in reading.problems if p.code == "collection-unread"]
    assert problem.message == (
        "6 linked collections were not read: Cables, Memory (2), PCIeDevices, Processors, SoftwareInventory"
    )
    assert problem.level.value == "note" and not {a.path for a in server.world.asked} & set(reading.unread)
    assert bench.read(bench.serve("rack")).unread == ()


# -- a service without TLS -------------------------------------------------------------------------------------------


def refusal(url: str, **options: Any) -> InputError:
    with pytest.raises(InputError) as caught:
        read_service(url, WHO, placement=PLACE, clock=lambda: WHEN, **options)
    return caught.value


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "[::1]:8000", "localhost:8000"])
def test_http_to_this_machine_names_the_option(host: str) -> None:
    assert "--http-on-loopback" in refusal(f"http://{host}").hint


@pytest.mark.parametrize("allowed", [False, True])
def test_http_to_another_machine_is_refused_with_the_reason(allowed: bool) -> None:
    """What is sent over plain http can be read by anybody on the way (common practice)."""
    error = refusal("http://bmc-3.holm.example", http_on_loopback=allowed)
    assert "password" in error.message and "on the network" in error.message
    assert "https://" in error.hint and "--http-on-loopback" in error.hint and "this machine" in error.hint


def test_https_to_a_service_of_this_machine_without_tls(bench: Bench) -> None:
    server = bench.serve("rack", tls=False)
    with pytest.raises(Exception, match="no TLS session") as caught:
        read_service(server.url.replace("http:", "https:"), WHO, placement=PLACE, clock=lambda: WHEN)
    assert "--http-on-loopback" in getattr(caught.value, "hint", "")
