"""Uploads by the command, against services of our own over TLS: what is sent, what is read back, what is recorded."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.kits.redfish_server import SESSIONS
from tests.kits.upload_world import NEW, OLD, UploadDesk, content, update_world


@pytest.fixture(scope="session")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[UploadDesk]:
    made = UploadDesk.made(Path(tmp_path_factory.mktemp("uploads")))
    with made.stack:
        yield made


def test_one_bundle_is_staged_and_read_back(desk: UploadDesk) -> None:
    _, serial, other = desk.domain()
    server = desk.service(serial, other)
    done = desk.upload(serial, server)
    assert done.status == 0, done.out + done.err
    world = update_world(server)
    (upload,) = world.uploads
    assert (upload.way, upload.size, upload.whole) == ("multipart", len(content("infrastructure", NEW)), True)
    assert upload.parameters == {
        "Targets": [world.devices[0].item("active")], "@Redfish.OperationApplyTime": "OnStartUpdateRequest",
    }  # fmt: skip
    assert (world.devices[0].active, world.devices[0].pending, world.devices[1].pending) == (OLD, NEW, "")
    assert world.started == 0
    assert len(world.issued) == 1
    assert world.open == set()
    (row,) = done.json["upload"]["targets"]
    assert (row["result"], row["read_back"]["pending"], row["version"]) == ("staged", NEW, NEW)
    what = [event["what"] for event in desk.history(serial)]
    assert what == ["upload-begun", "staged", "observed", "upload-ended"]
    assert desk.state(serial)["staged"]["version"] == NEW
    assert SESSIONS in {asked.path for asked in world.asked}
