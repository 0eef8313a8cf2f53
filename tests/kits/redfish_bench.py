"""What several tests share with those of links/redfish/test_read.py."""

from __future__ import annotations

import json
import traceback
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import pytest

from bundlekeeper.errors import KeeperError
from bundlekeeper.links.redfish.read import read_service
from bundlekeeper.links.redfish.types import Credentials, Placement, ReadLimits, ServiceReading
from bundlekeeper.model.inventory.types import Component
from tests.kits.local_server import Authority
from tests.kits.redfish_server import FIXTURES, PASSWORD, USER, Documents, Handler, RedfishServer, World, serving
from tests.kits.redfish_server import documents as fixture

WHEN = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


EXPECTED: dict[str, Any] = json.loads((FIXTURES / "expected.json").read_text("utf-8"))


ITEMS = "/redfish/v1/UpdateService/FirmwareInventory"


PLACE = Placement("holm", "holm-a")


WHO = Credentials(USER, PASSWORD)


QUICK = ReadLimits(deadline_s=300, resource_s=60, connect_s=60, backoff_s=0.01)


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

    def serve_documents(self, made: Documents) -> RedfishServer:
        """A service with these documents."""
        return self.serve(World(made))

    def read(self, server: RedfishServer, who: Credentials | None = WHO, **options: Any) -> ServiceReading:
        options = {"placement": PLACE, "ca": self.authority.path, "limits": QUICK, "wait": self.waits.append, **options}
        return read_service(server.url, who, clock=lambda: WHEN, **options)

    def fails(self, server: RedfishServer, who: Credentials | None = WHO, **options: Any) -> KeeperError:
        with pytest.raises(KeeperError) as caught:
            self.read(server, who, **options)
        assert PASSWORD not in "".join(traceback.format_exception(caught.value))
        return caught.value


def shape(part: Component) -> dict[str, object]:
    """What is known of a component, without where the test put it."""
    fields = {name: getattr(part, name) for name in Component.__slots__}
    return {name: value for name, value in fields.items() if value is not None and name not in ("site", "domain")}


def codes(reading: ServiceReading) -> list[tuple[str, str]]:
    """Code and last part of the subject of every problem that is not about an item's place."""
    return sorted((p.code, p.subject.rpartition("/")[2]) for p in reading.problems if p.code != "not-placed")


def raw(body: bytes, headers: dict[str, str] | None = None) -> Callable[[Handler], None]:
    return lambda handler: handler.answer(200, body, headers)
