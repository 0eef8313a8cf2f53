"""Reading Redfish services: a server of our own over TLS, well-behaved, odd and hostile."""

from __future__ import annotations

import json
import traceback
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import pytest

from bundlekeeper.errors import KeeperError
from bundlekeeper.links.redfish import read_service
from bundlekeeper.links.redfish_types import Credentials, Placement, ReadLimits, ServiceReading
from bundlekeeper.model.inventory import Component
from tests.local_server import Authority
from tests.redfish_server import FIXTURES, PASSWORD, USER, RedfishServer, World, serving
from tests.redfish_server import documents as fixture

WHEN = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
EXPECTED: dict[str, Any] = json.loads((FIXTURES / "expected.json").read_text("utf-8"))
ITEMS = "/redfish/v1/UpdateService/FirmwareInventory"
PLACE = Placement("holm", "holm-a")
WHO = Credentials(USER, PASSWORD)
QUICK = ReadLimits(deadline_s=20, resource_s=5, connect_s=5, backoff_s=0.01)


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@dataclass
class Bench:
    """Services for one test, and a reader for them."""

    authority: Authority
    stack: ExitStack
    waits: list[float] = field(default_factory=list)

    def serve(self, world: World | str, *, tls: bool = True) -> RedfishServer:
        world = World(fixture(world)) if isinstance(world, str) else world
        return self.stack.enter_context(serving(world, self.authority.context() if tls else None))

    def read(self, server: RedfishServer, who: Credentials | None = WHO, **options: Any) -> ServiceReading:
        options = {"placement": PLACE, "ca": self.authority.path, "limits": QUICK, "wait": self.waits.append, **options}
        return read_service(server.url, who, clock=lambda: WHEN, **options)

    def fails(self, server: RedfishServer, who: Credentials | None = WHO, **options: Any) -> KeeperError:
        with pytest.raises(KeeperError) as caught:
            self.read(server, who, **options)
        assert PASSWORD not in "".join(traceback.format_exception(caught.value))
        return caught.value


@pytest.fixture
def bench(authority: Authority) -> Iterator[Bench]:
    with ExitStack() as stack:
        yield Bench(authority, stack)


def shape(part: Component) -> dict[str, object]:
    """What is known of a component, without where the test put it."""
    told = {name: getattr(part, name) for name in Component.__slots__}
    return {name: value for name, value in told.items() if value is not None and name not in ("site", "domain")}


def codes(reading: ServiceReading) -> list[tuple[str, str]]:
    """Code and last part of the subject of every problem that is not about an item's place."""
    return sorted((p.code, p.subject.rpartition("/")[2]) for p in reading.problems if p.code != "not-placed")


# -- the straight way ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["rack", "chassis", "odd"])
def test_the_expected_mapping(bench: Bench, name: str) -> None:
    """ "the test services' expected mapping is a fixture" (issue: what is where)"""
    server = bench.serve(name)
    reading = bench.read(server)
    expected = EXPECTED[name]
    assert [shape(c) for c in reading.components] == expected["components"]
    assert all((c.site, c.domain) == ("holm", "holm-a") for c in reading.components)
    assert {u.odata_id.rpartition("/")[2]: u.why for u in reading.unmapped} == expected["unmapped"]
    assert codes(reading) == [tuple(row) for row in expected["problems"]]
    assert {key: reading.counts[key] for key in expected["counts"]} == expected["counts"]
    assert reading.complete and reading.taken == WHEN and reading.service == server.url
