"""What is asked of an update service and what is sent to it, without a service: names, ways, frames, limits, tasks."""

from __future__ import annotations

import ast
import hashlib
import inspect
import json
import os
import socket
import tracemalloc
from email.parser import BytesParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import httpcore
import httpx
import pytest

from bundlekeeper.errors import StoppedError, UnfinishedError
from bundlekeeper.links.redfish import task, update_service
from bundlekeeper.links.redfish import upload as conversation
from bundlekeeper.links.redfish.guard import SendGuard
from bundlekeeper.links.redfish.types import ReadingEvidence, ServiceReply
from bundlekeeper.links.redfish.update_service import ChosenWay, UploadOrder
from bundlekeeper.links.redfish.upload import ServiceState, targets_of
from bundlekeeper.links.redfish.walk import Resource, Tree
from bundlekeeper.model.inventory.types import Component
from bundlekeeper.model.stop import Stop
from bundlekeeper.model.upload import ACTIVATING, STAGING, UploadWay, redfish_word
from bundlekeeper.store.verifying.while_sent import pieces
from tests.kits.redfish_service import APPLY_TIMES, Device, Task, UpdateWorld

# DMTF DSP8010: UpdateService 1.15 (with its actions and complex types), Task 1.4, SoftwareInventory 1.12, TaskService,
# as the CSDL files of DMTF's publications name them.
UPDATE_SERVICE = {
    "ServiceEnabled", "FirmwareInventory", "SoftwareInventory", "HttpPushUri", "HttpPushUriTargets",
    "HttpPushUriTargetsBusy", "HttpPushUriOptions", "HttpPushUriOptionsBusy", "HttpPushUriApplyTime", "ApplyTime",
    "MaintenanceWindowStartTime", "MaintenanceWindowDurationInSeconds", "MaxImageSizeBytes", "MultipartHttpPushUri",
    "UpdateParameters", "Targets", "SimpleUpdate", "StartUpdate", "ImageURI", "TransferProtocol", "Status", "State",
    "Actions", "UpdateService",
}  # fmt: skip
APPLY = {"Immediate", "OnReset", "AtMaintenanceWindowStart", "InMaintenanceWindowOnReset", "OnStartUpdateRequest"}
TASK = {"TaskState", "TaskStatus", "Messages", "Message", "MessageId", "Task", "Tasks", "Name"}
STATES = {
    "New", "Starting", "Running", "Suspended", "Interrupted", "Pending", "Stopping", "Completed", "Killed", "Exception",
    "Service", "Cancelling", "Cancelled",
}  # fmt: skip
OTHERS = {
    "Enabled", "Updating", "StandbyOffline", "Critical", "OK", "Updateable", "Version", "Members", "SupportedValues",
    "ComputerSystem", "Chassis", "Aggregate",
}  # fmt: skip
PROTOCOL = {"PATCH", "POST", "GET", "If-Match", "UpdateFile"}

ORDER = UploadOrder(("/redfish/v1/UpdateService/FirmwareInventory/A",), STAGING, "a.bin", 1000)


def test_the_names_that_are_used_are_dmtfs() -> None:
    found: set[str] = set()
    for module in (update_service, task, conversation):
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value[:1].isupper():
                found |= {node.value} if node.value.replace("-", "").isalnum() else set()
    assert found <= UPDATE_SERVICE | TASK | STATES | OTHERS | PROTOCOL
    assert {"HttpPushUriTargets", "ServiceEnabled", "MaxImageSizeBytes", "TaskState"} <= found
    assert "ForceUpdate" not in found


def test_our_own_service_uses_dmtfs_names() -> None:
    world = UpdateWorld(devices=[Device("CMC1", "S1")], max_image_bytes=1, tasks=[Task(1, ["Completed"])])
    documents = world.render()
    own = {key.partition("@")[0] for key in documents["/redfish/v1/UpdateService"]} - {"", "Id", "Name"}
    assert own <= UPDATE_SERVICE
    assert {key for key in documents["/redfish/v1/TaskService/Tasks/1"] if not key.startswith("@")} <= TASK | {"Id"}
    assert set(APPLY_TIMES) == APPLY


def test_apply_times_are_those_of_the_standard() -> None:
    assert {redfish_word(word) for word in (*ACTIVATING, STAGING)} == APPLY


# -- the ways ----------------------------------------------------------------------------------------------------------


def state(**options: Any) -> dict[str, Any]:
    return UpdateWorld(devices=[Device("CMC1", "S1")], **options).update_service()


def chosen(order: UploadOrder = ORDER, **options: Any) -> str | list[str]:
    found = update_service.choose(state(**options), order, {})
    return found.way.value if isinstance(found, ChosenWay) else found


def test_the_order_of_the_ways() -> None:
    with_address = UploadOrder(ORDER.targets, STAGING, "a.bin", 1000, image_uri="https://mirror.example/a.bin")
    assert chosen() == "MultipartHttpPushUri"
    assert chosen(ways=("push", "simple")) == "HttpPushUri"
    assert chosen(with_address, ways=("simple",)) == "SimpleUpdate"
    reasons = chosen(ways=("simple",))
    assert isinstance(reasons, list)
    assert len(reasons) == 3
    assert "--image-uri" in reasons[2]
    ftp = UploadOrder(ORDER.targets, STAGING, "a.bin", 1000, image_uri="ftp://mirror.example/a.bin")
    assert "cannot fetch by FTP" in str(chosen(ftp, ways=("simple",)))


def test_a_reserved_push_and_one_without_targets_are_not_used() -> None:
    assert "another client reserved it" in str(chosen(ways=("push",), targets_busy=True))
    assert "another client reserved it" in str(chosen(ways=("push",), options_busy=True))
    body = state(ways=("push",))
    del body["HttpPushUriTargets"]
    assert "its targets cannot be named" in str(update_service.choose(body, ORDER, {}))


def test_what_is_not_stated_is_not_known() -> None:
    body = state(ways=("multipart",))
    del body["MultipartHttpPushUri@Redfish.OperationApplyTimeSupport"]
    assert "does not state when it applies" in str(update_service.choose(body, ORDER, {}))


def test_an_address_that_cannot_be_used_leaves_the_next_way() -> None:
    found = update_service.choose(state(), ORDER, {UploadWay.MULTIPART: "the link leads away from the service"})
    assert isinstance(found, ChosenWay)
    assert found.way is UploadWay.PUSH


@pytest.mark.parametrize(
    ("body", "number"),
    [
        ({"ServiceEnabled": False}, 1),
        ({"ServiceEnabled": None}, 0),
        ({"Status": {"State": "Disabled"}}, 1),
        ({"Status": {"State": "Enabled"}}, 0),
        ({"MaxImageSizeBytes": 999}, 1),
        ({"MaxImageSizeBytes": 1000}, 0),
        ({"MaxImageSizeBytes": None}, 0),
        ({"ServiceEnabled": False, "MaxImageSizeBytes": 1}, 2),
    ],
)
def test_what_a_service_states_against_a_file(body: dict[str, Any], number: int) -> None:
    assert len(update_service.against(body, ORDER)) == number


def test_messages_are_bounded_and_printable() -> None:
    rows = [{"Message": f"\x1b[2J{number}" + "x" * 5000} for number in range(100)]
    found = update_service.messages({"Messages": [*rows, None, 7, {"Message": 9}]})
    assert len(found) == 20
    assert all(text.isprintable() and len(text) <= 220 for text in found)
    said = {"error": {"@Message.ExtendedInfo": [{"Message": "no"}, {"MessageId": "Base.1.0.Other"}]}}
    assert update_service.messages(said) == ("no", "Base.1.0.Other")
    assert update_service.messages({"Messages": "text"}) == update_service.messages(None) == ()


# -- what is sent ------------------------------------------------------------------------------------------------------


def test_a_multipart_body_is_read_by_another_reader() -> None:
    """The standard library's reader of MIME is the oracle; DSP0266 names the two parts and their types."""
    file = bytes(range(256)) * 4
    order = UploadOrder(
        ("/a", "/b"), "at-maintenance-window-start", 'we "ird".bin', len(file), ("2026-12-01T00:00:00Z", 60)
    )
    frame = conversation._Multipart.of(order)
    body = b"".join(frame.around(iter([file[:100], file[100:]])))
    assert len(body) == frame.size_bytes
    message = BytesParser().parsebytes(b"Content-Type: " + frame.media_type.encode() + b"\r\n\r\n" + body)
    parameters, sent = cast("list[Any]", message.get_payload())
    assert parameters.get_param("name", header="content-disposition") == "UpdateParameters"
    assert parameters.get_content_type() == "application/json"
    assert json.loads(parameters.get_payload(decode=True)) == {
        "Targets": ["/a", "/b"],
        "@Redfish.OperationApplyTime": "AtMaintenanceWindowStart",
        "@Redfish.MaintenanceWindow": {
            "MaintenanceWindowStartTime": "2026-12-01T00:00:00Z", "MaintenanceWindowDurationInSeconds": 60,
        },
    }  # fmt: skip
    assert sent.get_param("name", header="content-disposition") == "UpdateFile"
    assert sent.get_content_type() == "application/octet-stream"
    assert sent.get_payload(decode=True) == file


class _Stream:
    """A connection as the HTTP library gives it."""

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock

    def get_extra_info(self, _: str) -> socket.socket:
        return self.sock


def sending(stop: Stop | None = None, rate: float = 1000.0) -> tuple[SendGuard, _Stream, socket.socket]:
    ticks = iter(range(1_000_000))
    ours, theirs = socket.socketpair()
    ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 1)  # the least that the system allows
    guard = SendGuard("https://s", lambda: float(next(ticks)), stop, 1e9, (rate, 60.0))
    return guard, _Stream(ours), theirs


def test_a_service_that_takes_next_to_nothing_is_too_slow() -> None:
    guard, stream, theirs = sending()
    with theirs, stream.sock, pytest.raises(UnfinishedError, match="sending is too slow"):
        guard.write(cast("httpcore.NetworkStream", stream), bytes(10_000_000), None)


def test_a_stop_works_while_nothing_can_be_written() -> None:
    stop = Stop()
    stop.set(143)
    guard, stream, theirs = sending(stop)
    with theirs, stream.sock, pytest.raises(StoppedError) as caught:
        guard.write(cast("httpcore.NetworkStream", stream), bytes(10_000_000), None)
    assert caught.value.exit_code == 143


def test_nothing_taken_for_the_idle_time_is_a_timeout() -> None:
    guard, stream, theirs = sending(rate=0.0)
    with theirs, stream.sock, pytest.raises(httpcore.WriteTimeout):
        guard.write(cast("httpcore.NetworkStream", stream), bytes(10_000_000), 5.0)


def test_the_services_own_time_is_no_slow_network() -> None:
    guard, stream, theirs = sending(rate=1e9)
    with theirs, stream.sock:
        for _ in range(100):
            guard.waited(60.0, 0)
        assert guard.remaining() > 0


# -- whom it names -----------------------------------------------------------------------------------------------------


def having(items: dict[str, list[str]], own: str, **bodies: dict[str, Any]) -> ServiceState:
    """A service with components A and B; `items` are the item paths of each, `own` A's resource type."""
    tree = Tree(lambda reference: reference)
    for path in {path for paths in items.values() for path in paths}:
        users = [{"@odata.id": f"/{key}"} for key, paths in items.items() if path in paths]
        body = {"Version": "6.0.1", "RelatedItem": users, **bodies.get(path.strip("/"), {})}
        tree.resources[path] = Resource(path, "SoftwareInventory", body)
    tree.resources |= {f"/{key}": Resource(f"/{key}", own, {}) for key in items}
    components = {key: Component("bios", "holm", "holm-a", serial=key, active="6.0.1") for key in items}
    evidence = {key: ReadingEvidence(key, f"/{key}", tuple(paths)) for key, paths in items.items()}
    return ServiceState(components, evidence, tree, {}, complete=True)


def test_a_request_names_the_component_and_nothing_else() -> None:
    assert targets_of(having({"A": ["/1", "/2"], "B": ["/3"]}, "Manager", **{"1": {"Version": "5"}}), "A") == (
        ("/2",),
        "",
    )
    shared = {"A": ["/1"], "B": ["/1"]}
    assert targets_of(having(shared, "Manager"), "A") == (("/A",), "")
    for whole in ("ComputerSystem", "Chassis"):
        found, reason = targets_of(having(shared, whole), "A")
        assert found == ()
        assert "names this component alone" in reason
    fixed = having({"A": ["/1"]}, "Manager", **{"1": {"Updateable": False}})
    assert "Updateable is false" in targets_of(fixed, "A")[1]


# -- tasks -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("status", "body", "end"),
    [
        (202, {"TaskState": "Running"}, "lost"),
        (200, {"TaskState": "Completed", "TaskStatus": "OK"}, "done"),
        (200, {"TaskState": "Completed", "TaskStatus": "Critical"}, "failed"),
        (200, {"TaskState": "Exception"}, "failed"),
        (200, {"TaskState": "Cancelled"}, "failed"),
        (200, {"TaskState": "Killed"}, "failed"),
        (200, {"TaskState": "Service"}, "waits"),
        (200, {"TaskState": "Suspended"}, "waits"),
        (200, {"TaskState": "Interrupted"}, "waits"),
        (200, {"TaskState": "Pending"}, "waits"),
        (200, {"TaskState": "Later"}, "lost"),
        (204, None, "done"),
        (400, None, "failed"),
        (202, None, "lost"),
    ],
)
def test_what_an_answer_of_a_task_means(status: int, body: dict[str, Any] | None, end: str) -> None:
    assert task._judged("here", ServiceReply(status, "", body)).end.value == end


def test_a_task_that_nobody_can_ask_for_is_lost_and_not_failed() -> None:
    answers = iter([ServiceReply(503, "", None), ServiceReply(404, "", None), ServiceReply(401, "", None)])
    asked = SimpleNamespace(ask=lambda *_: next(answers), begin_again=lambda: None, pause=lambda _: None)
    place = task.TaskPlace(httpx.URL("https://s/redfish/v1/TaskService/TaskMonitors/1"), is_monitor=True)
    limits = task.TaskLimits(total_s=10, tries=3)
    found = task.follow(cast("Any", asked), place, limits, lambda: 0.0, lambda: False)
    assert (found.end.value, found.reason) == ("lost", "the service answered 401 to the question for its task")


# -- memory ------------------------------------------------------------------------------------------------------------


def test_a_large_file_takes_a_few_blocks_of_memory(tmp_path: Path) -> None:
    size = 48 << 20
    (tmp_path / "blade" / "1").mkdir(parents=True)
    file = tmp_path / "blade" / "1" / "a.bin"
    with file.open("wb") as opened:
        opened.truncate(size)
    digest = hashlib.sha256(bytes(size)).hexdigest()
    stored = SimpleNamespace(place="blade/1/a.bin", size=size, sha256=digest, family="blade", version="1")
    root = os.open(tmp_path, os.O_RDONLY)
    counted: list[int] = []
    tracemalloc.start()
    try:
        sent = sum(map(len, pieces(cast("Any", SimpleNamespace(fd=root)), cast("Any", stored), Stop(), counted.append)))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        os.close(root)
    assert (sent, sum(counted)) == (size, size)
    assert peak < 8 << 20
