"""A Redfish service of our own that takes updates and keeps state: banks, tasks, apply times, and faults to order.

Written from DMTF DSP0266 and DSP8010 as the tests understand them; it knows nothing of the program under test.
`python -m tests.kits.redfish_service --folder DIR` starts one over TLS until it is ended, and prints where it is.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.kits.local_server import Authority
from tests.kits.redfish_server import PASSWORD, SESSIONS, USER, Asked, Documents, Handler, World, serving
from tests.kits.sure import PATIENCE_S

ROOT = "/redfish/v1"
UPDATE = f"{ROOT}/UpdateService"
INVENTORY = f"{UPDATE}/FirmwareInventory"
TASKS = f"{ROOT}/TaskService/Tasks"
MULTIPART, PUSH = f"{UPDATE}/update-multipart", "/update"  # HttpPushUri may be anywhere on the service
SIMPLE = f"{UPDATE}/Actions/UpdateService.SimpleUpdate"
START = f"{UPDATE}/Actions/UpdateService.StartUpdate"
APPLY_TIMES = (
    "Immediate", "OnReset", "AtMaintenanceWindowStart", "InMaintenanceWindowOnReset", "OnStartUpdateRequest",
)  # fmt: skip
#: What an update service may do wrong, each by its name.
FAULTS = (
    "ignores-apply-time",  # it activates at once, whatever it was asked
    "fails-task",  # it accepts, and its task ends with an exception
    "forgets",  # it accepts, its task is completed, and nothing is there
    "other-version",  # another version is there afterwards
    "drops-inside",  # the connection ends in the middle of the file
    "drops-after",  # it takes the whole file, does its work, and never answers
    "drops-and-forgets",  # it takes the whole file, and never answers, nor does anything
    "busy",  # 503
    "waits",  # its task waits for a person
    "waits-for-start",  # the task of what is staged waits for StartUpdate
    "refuses",  # 400, with a message
    "slow",  # it reads next to nothing
    "task-elsewhere",  # it names a task at another host
    "no-reading",  # it cannot be read any more after an upload
)


@dataclass
class Device:
    """One updatable manager: what runs, what starts next, what ran before."""

    name: str
    serial: str
    model: str = "Dune-8"
    active: str = "6.0.1"
    pending: str = ""
    spare: str = "5.4.10"
    updateable: bool | None = True

    @property
    def path(self) -> str:
        return f"{ROOT}/Managers/{self.name}"

    def item(self, bank: str) -> str:
        return f"{INVENTORY}/{self.name}.{bank}"


@dataclass
class Task:
    """A task with the states that it is in, one for each time that somebody asks."""

    number: int
    states: list[str]
    messages: list[dict[str, Any]] = field(default_factory=list)
    then: Callable[[], None] | None = None

    @property
    def path(self) -> str:
        return f"{TASKS}/{self.number}"

    def document(self) -> dict[str, Any]:
        state = self.states[0]
        body: dict[str, Any] = {
            "@odata.id": self.path,
            "@odata.type": "#Task.v1_7_4.Task",
            "Id": str(self.number),
            "Name": f"Update {self.number}",
            "TaskState": state,
            "Messages": self.messages,
        }
        if state in ("Completed", "Exception"):
            body["TaskStatus"] = "OK" if state == "Completed" else "Critical"
        return body

    def go_on(self) -> None:
        if len(self.states) > 1:
            self.states.pop(0)
            if self.states[0] == "Completed" and self.then is not None:
                self.then()
                self.then = None


@dataclass
class Upload:
    """One file that arrived, as far as it came."""

    way: str
    parameters: dict[str, Any]
    size: int
    sha256: str
    whole: bool = True


@dataclass
class UpdateWorld(World):
    """The service's state. `contents` says which version a file brings, by its SHA-256; any other brings nothing."""

    documents: Documents = field(default_factory=dict)
    devices: list[Device] = field(default_factory=list)
    contents: dict[str, str] = field(default_factory=dict)
    apply_times: tuple[str, ...] = APPLY_TIMES
    ways: tuple[str, ...] = ("multipart", "push", "simple")
    fault: str = ""
    enabled: bool = True
    max_image_bytes: int | None = None
    multipart_at: str = MULTIPART
    fetch: Callable[[str], bytes] = lambda _: b""
    tasks: list[Task] = field(default_factory=list)
    uploads: list[Upload] = field(default_factory=list)
    started: int = 0  # how often StartUpdate was asked for
    targets: list[str] = field(default_factory=list)
    targets_busy: bool = False
    options_busy: bool = False
    push_time: str = "Immediate"
    reached: threading.Event = field(default_factory=threading.Event)  # set when a file began to arrive
    go_on: threading.Event = field(default_factory=threading.Event)  # awaited before the answer, where `hold` is set
    hold: bool = False
    lock: threading.Lock = field(default_factory=threading.Lock)

    # -- documents -----------------------------------------------------------------------------------------------------

    def render(self) -> Documents:
        """Every document as it is now."""
        made: Documents = {
            ROOT: {
                "@odata.type": "#ServiceRoot.v1_17_0.ServiceRoot", "Id": "RootService", "Name": "Root service",
                "Links": {"Sessions": {"@odata.id": SESSIONS}},
                "UpdateService": {"@odata.id": UPDATE}, "Managers": {"@odata.id": f"{ROOT}/Managers"},
                "Tasks": {"@odata.id": f"{ROOT}/TaskService"},
            },
            UPDATE: self.update_service(),
            f"{ROOT}/TaskService": {"@odata.type": "#TaskService.v1_2_1.TaskService", "Id": "TaskService",
                                    "Name": "Tasks", "Tasks": {"@odata.id": TASKS}},
        }  # fmt: skip
        _collect(made, TASKS, {task.path: task.document() for task in self.tasks})
        _collect(made, f"{ROOT}/Managers", {device.path: self._manager(device) for device in self.devices})
        items = {path: body for device in self.devices for path, body in self._items(device)}
        _collect(made, INVENTORY, items)
        return {path: {"@odata.id": path, **body} for path, body in made.items()}

    def update_service(self) -> dict[str, Any]:
        """The UpdateService."""
        support = {"@odata.type": "#Settings.v1_3_5.OperationApplyTimeSupport", "SupportedValues": [*self.apply_times]}
        body: dict[str, Any] = {
            "@odata.type": "#UpdateService.v1_14_0.UpdateService", "Id": "UpdateService", "Name": "Update service",
            "ServiceEnabled": self.enabled, "FirmwareInventory": {"@odata.id": INVENTORY},
            "Actions": {"#UpdateService.StartUpdate": {"target": START}},
        }  # fmt: skip
        if self.max_image_bytes is not None:
            body["MaxImageSizeBytes"] = self.max_image_bytes
        if "multipart" in self.ways:
            body["MultipartHttpPushUri"] = self.multipart_at
            body["MultipartHttpPushUri@Redfish.OperationApplyTimeSupport"] = support
        if "push" in self.ways:
            body |= {
                "HttpPushUri": PUSH, "HttpPushUriTargets": self.targets, "HttpPushUriTargetsBusy": self.targets_busy,
                "HttpPushUriOptionsBusy": self.options_busy,
                "HttpPushUriOptions": {"HttpPushUriApplyTime": {
                    "ApplyTime": self.push_time, "ApplyTime@Redfish.AllowableValues": [*self.apply_times],
                }},
            }  # fmt: skip
        if "simple" in self.ways:
            body["Actions"]["#UpdateService.SimpleUpdate"] = {
                "target": SIMPLE, "TransferProtocol@Redfish.AllowableValues": ["HTTP", "HTTPS"],
                "@Redfish.OperationApplyTimeSupport": support,
            }  # fmt: skip
        return body

    @staticmethod
    def _manager(device: Device) -> dict[str, Any]:
        return {
            "@odata.type": "#Manager.v1_19_0.Manager", "Id": device.name, "Name": device.name,
            "ManagerType": "EnclosureManager", "Model": device.model, "SerialNumber": device.serial,
            "FirmwareVersion": device.active, "Status": {"State": "Enabled", "Health": "OK"},
            "Links": {"ActiveSoftwareImage": {"@odata.id": device.item("active")}},
        }  # fmt: skip

    @staticmethod
    def _items(device: Device) -> Iterator[tuple[str, dict[str, Any]]]:
        related = [{"@odata.id": device.path}]
        banks = {"active": device.active, "pending": device.pending, "spare": device.spare}
        for bank, version in banks.items():
            if not version:
                continue
            body: dict[str, Any] = {
                "@odata.type": "#SoftwareInventory.v1_12_0.SoftwareInventory", "Id": f"{device.name}.{bank}",
                "Name": f"{device.name} {bank}", "Version": version, "RelatedItem": related,
                "Active": bank == "active", "Staged": bank == "pending",
            }  # fmt: skip
            if device.updateable is not None:
                body["Updateable"] = device.updateable
            yield device.item(bank), body

    # -- what an update does -------------------------------------------------------------------------------------------

    def meant(self, targets: list[str]) -> list[Device]:
        """The devices that targets name: by their items or themselves; none named means all (DSP8010)."""
        names = [device for device in self.devices if {device.path, *map(device.item, ("active", "pending", "spare"))}
                 & set(targets)]  # fmt: skip
        return names if targets else list(self.devices)

    def begin(self, parameters: Mapping[str, Any], sha256: str) -> Task:
        """An update that was accepted, as a task."""
        devices, when = (
            self.meant(list(parameters.get("Targets", []))),
            parameters.get("@Redfish.OperationApplyTime", ""),
        )
        version = self.contents.get(sha256, "")
        states = ["Running", "Completed"]
        said = [{"MessageId": "Update.1.0.TransferringToComponent", "Message": "The image is being transferred."}]
        if self.fault == "fails-task" or not version:
            states = ["Running", "Exception"]
            said.append(
                {"MessageId": "Update.1.0.VerificationFailed", "Message": "\x1b[31mThe image was not verified."}
            )
        elif self.fault == "waits":
            states = ["Running", "Service"]
            said.append({"MessageId": "Update.1.0.OperationNeedsUser", "Message": "Press the button of the chassis."})
        elif self.fault == "waits-for-start":
            states = ["Running", "Pending"]
        task = Task(len(self.tasks) + 1, states, said, lambda: self._apply(devices, version, str(when)))
        if self.fault == "waits-for-start":
            self._apply(devices, version, str(when))
        self.tasks.append(task)
        return task

    def _apply(self, devices: list[Device], version: str, when: str) -> None:
        if self.fault in ("forgets", "drops-and-forgets"):
            return
        if self.fault == "other-version":
            version = "6.0.9"
        for device in devices:
            if when == "Immediate" or self.fault == "ignores-apply-time":
                device.active, device.spare, device.pending = version, device.active, ""
            else:
                device.pending, device.spare = version, ""


def _collect(made: Documents, path: str, members: Mapping[str, dict[str, Any]]) -> None:
    made[path] = {"Name": path.rpartition("/")[2], "Members": [{"@odata.id": member} for member in members],
                  "Members@odata.count": len(members)}  # fmt: skip
    made |= members


class UpdateHandler(Handler):
    """Answers as the state says."""

    timeout = PATIENCE_S

    @property
    def world(self) -> UpdateWorld:
        found = self.server.world
        assert isinstance(found, UpdateWorld)
        return found

    def do_GET(self) -> None:  # noqa: N802 - the name is http.server's
        """A document, as it is now; a task goes on each time that it is asked for."""
        world = self.world
        with world.lock:
            if world.fault == "no-reading" and world.uploads:
                self.answer(500)
                return
            path = self.path.rstrip("/")
            for task in world.tasks:
                if task.path == path:
                    task.go_on()
            world.documents = world.render()
        super().do_GET()

    def do_PATCH(self) -> None:  # noqa: N802 - the name is http.server's
        """Reserve or release the push."""
        world, asked = self._json()
        if not self._known() or self.path != UPDATE or "push" not in world.ways:
            self.answer(401 if not self._known() else 405)
            return
        world.targets = asked.get("HttpPushUriTargets", world.targets)
        world.targets_busy = asked.get("HttpPushUriTargetsBusy", world.targets_busy)
        world.options_busy = asked.get("HttpPushUriOptionsBusy", world.options_busy)
        options = asked.get("HttpPushUriOptions", {}).get("HttpPushUriApplyTime", {})
        world.push_time = options.get("ApplyTime", world.push_time)
        self.answer(204)

    def do_POST(self) -> None:  # noqa: N802 - the name is http.server's
        """A session, an update, or an action."""
        world = self.world
        if self.path not in (world.multipart_at, PUSH, SIMPLE, START):
            super().do_POST()
        elif not self._known():
            self.answer(401)
        elif self.path == START:
            world.started += 1
            self.answer(204)
        elif self.path == SIMPLE:
            _, asked = self._json()
            self._accept("simple", asked, hashlib.sha256(world.fetch(asked["ImageURI"])), 0)
        else:
            self._note_head()
            self._file()

    def _json(self) -> tuple[UpdateWorld, dict[str, Any]]:
        world = self.world
        self._note()
        return world, json.loads(world.asked[-1].body)

    def _note_head(self) -> None:
        headers = {name.lower(): value for name, value in self.headers.items()}
        self.world.asked.append(Asked("POST", self.path, headers, b""))

    def _file(self) -> None:
        """The body of a push, read in blocks and never kept."""
        world, left = self.world, int(self.headers["Content-Length"])
        if world.fault == "busy":
            self.answer(503, b"{}", {"Retry-After": "1", "Connection": "close"})
            self.close_connection = True
            return
        parameters: dict[str, Any] = {"Targets": world.targets, "@Redfish.OperationApplyTime": world.push_time}
        after, way = 0, "push"
        if self.path == world.multipart_at:
            way = "multipart"
            boundary = self.headers["Content-Type"].partition("boundary=")[2].encode()
            head = b""
            while head.count(b"\r\n\r\n") < 2:
                head += self.rfile.readline()
            parameters = json.loads(head.split(b"\r\n\r\n")[1].partition(b"\r\n--")[0])
            after = len(b"\r\n--" + boundary + b"--\r\n")
            left -= len(head)
        digest, size = hashlib.sha256(), left - after
        world.reached.set()
        while left > after:
            block = self.rfile.read(min(left - after, 64 if world.fault == "slow" else 1 << 16))
            if not block or (world.fault == "drops-inside" and left - after < size // 2):
                world.uploads.append(Upload(way, parameters, size - (left - after), digest.hexdigest(), whole=False))
                self.close_connection = True
                self.connection.close()
                return
            digest.update(block)
            left -= len(block)
            if world.fault == "slow":
                self.server.closing.wait()
        self.rfile.read(after)
        self._accept(way, parameters, digest, size)

    def _accept(self, way: str, parameters: dict[str, Any], digest: Any, size: int) -> None:
        world = self.world
        with world.lock:
            world.uploads.append(Upload(way, parameters, size, digest.hexdigest()))
            if world.fault == "refuses":
                said = {"error": {"@Message.ExtendedInfo": [{"Message": "This file is for another model."}]}}
                self.answer(400, json.dumps(said).encode(), {"Content-Type": "application/json"})
                return
            task = world.begin(parameters, digest.hexdigest())
            if world.fault in ("drops-after", "drops-and-forgets", "task-elsewhere"):
                task.states = ["Completed"]
                if task.then is not None:
                    task.then()
        if world.hold:
            world.go_on.wait(PATIENCE_S)
        if world.fault in ("drops-after", "drops-and-forgets"):
            self.close_connection = True
            self.connection.close()
            return
        if world.fault == "task-elsewhere":
            self.answer(
                202, b"{}", {"Content-Type": "application/json", "Location": "https://elsewhere.example/redfish/1"}
            )
            return
        headers = {"Content-Type": "application/json", "Location": task.path}
        self.answer(202, json.dumps(task.document()).encode(), headers)


def main() -> None:
    """Serve until ended."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, required=True, help="for the authority's file")
    parser.add_argument("--device", action="append", default=[], metavar="NAME=SERIAL")
    parser.add_argument("--image", action="append", default=[], metavar="FILE=VERSION", help="what a file brings")
    parser.add_argument("--fault", choices=FAULTS, default="")
    given = parser.parse_args()
    world = UpdateWorld(fault=given.fault)
    world.devices = [Device(*text.split("=", 1)) for text in given.device or ["CMC1=HOLMA-CC1", "CMC2=HOLMA-CC2"]]
    for text in given.image:
        file, _, version = text.rpartition("=")
        with Path(file).open("rb") as opened:
            world.contents[hashlib.file_digest(opened, "sha256").hexdigest()] = version
    authority, ended = Authority(given.folder), threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    with serving(world, authority.context(), UpdateHandler) as server:
        print(f"{server.url} --ca {authority.path} --user {USER}  (BUNDLEKEEPER_PASSWORD={PASSWORD})", flush=True)
        ended.wait()


if __name__ == "__main__":
    main()
