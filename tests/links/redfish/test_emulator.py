"""Against a Redfish service that we did not write: the emulator of PyPI `sushy-tools`, over TLS, with its fake driver.

It is installed into a folder of its own for the test, since its web framework would change what our own start costs
(importing httpx pays for click wherever click is installed), and skipped where no package index can be reached.
"""

from __future__ import annotations

import os
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.links.redfish.read import read_service
from bundlekeeper.links.redfish.session import Service, SessionMeans, service_url
from bundlekeeper.links.redfish.types import Credentials, Placement, ReadLimits, ServiceReading
from bundlekeeper.links.redfish.update_service import UploadOrder
from bundlekeeper.links.redfish.upload import UploadConversation
from bundlekeeper.links.redfish.user_map import MapEntry
from bundlekeeper.model.upload import STAGING, UploadWay
from tests.kits.local_server import Authority
from tests.kits.postgres import free_port
from tests.kits.sure import PATIENCE_S, wait_until

VERSION = "2.2.0"
USER, PASSWORD = "office-reader", "s3cr3t-of-the-emulator"

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def emulator(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder where the emulator is installed."""
    folder = tmp_path_factory.mktemp("emulator")
    command = [sys.executable, "-m", "pip", "install", "-q", "--disable-pip-version-check", "--no-compile"]
    done = subprocess.run(
        [*command, "--only-binary=:all:", "--target", str(folder), f"sushy-tools=={VERSION}"],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        pytest.skip(f"sushy-tools {VERSION} cannot be installed: {done.stderr.strip().splitlines()[-1:]}")
    return folder


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


def start(emulator: Path, authority: Authority, folder: Path, *lines: str) -> Iterator[str]:
    """Run the emulator until the generator is closed; yields its address."""
    authority.context()
    leaf = max(authority.folder.glob("leaf-*.pem"), key=lambda path: path.stat().st_mtime_ns)
    config = folder / "emulator.conf"
    config.write_text("\n".join(["SUSHY_EMULATOR_STATE_DIR = " + repr(str(folder)), *lines]) + "\n")
    port = free_port()
    command = [sys.executable, "-W", "ignore", "-m", "sushy_tools.emulator.main", "--fake", "-i", "127.0.0.1"]
    command += ["-p", str(port), "--config", str(config), "--ssl-certificate", str(leaf), "--ssl-key", str(leaf)]
    environment = {**os.environ, "PYTHONPATH": str(emulator)}
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command, env=environment, stdout=log, stderr=log, cwd=folder)
    context = ssl.create_default_context(cafile=authority.path)

    def answers() -> bool:
        if process.poll() is not None:
            pytest.fail((folder / "log").read_text("utf-8"))
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as sock:
            context.wrap_socket(sock, server_hostname="127.0.0.1").close()
            return True
        return False

    try:
        wait_until(answers, "the emulator's first answer")
        yield f"https://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait()


@pytest.fixture(scope="module")
def open_service(emulator: Path, authority: Authority, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    yield from start(emulator, authority, tmp_path_factory.mktemp("open"))


@pytest.fixture(scope="module")
def locked_service(emulator: Path, authority: Authority, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    import bcrypt

    folder = tmp_path_factory.mktemp("locked")
    hashed = bcrypt.hashpw(PASSWORD.encode(), bcrypt.gensalt(4)).decode()
    (folder / "htpasswd").write_text(f"{USER}:{hashed}\n")
    yield from start(emulator, authority, folder, "SUSHY_EMULATOR_AUTH_FILE = " + repr(str(folder / "htpasswd")))


def read(url: str, authority: Authority, who: Credentials | None, *entries: MapEntry) -> ServiceReading:
    return read_service(
        url,
        who,
        placement=Placement("holm", "holm-a"),
        clock=lambda: datetime.now(UTC),
        ca=authority.path,
        entries=entries,
        limits=ReadLimits(deadline_s=120, backoff_s=0.01),
    )


def test_what_it_states_is_read_and_the_rest_reported(open_service: str, authority: Authority) -> None:
    """ "FirmwareInventory is linked but 404, SessionService 404" (standards §5): read what is there, report the rest"""
    reading = read(open_service, authority, None)
    assert reading.complete and reading.counts["items"] == 0
    components = {c.kind: c for c in reading.components}
    manager = components["management-controller"]
    assert manager.active == "1.00" and manager.parent and manager.serial is None
    assert components["bios"].active is None and components["bios"].parent == manager.parent
    unread = {p.subject.rpartition("/")[2]: p.message for p in reading.problems if p.code == "resource-unread"}
    assert unread["FirmwareInventory"] == "the link leads nowhere (404)"
    assert unread["Storage"] == "the service answered 500"


def test_every_collection_that_it_links_is_read_or_named(open_service: str, authority: Authority) -> None:
    """What leads to a type ...Collection is known from its answers, not from a list of ours."""
    reading = read(open_service, authority, None)
    with httpx.Client(base_url=open_service, verify=ssl.create_default_context(cafile=authority.path)) as client:

        def asked(path: str) -> dict[str, Any]:
            answer = client.get(path)
            return dict(answer.json()) if answer.status_code == 200 else {}

        root = asked("/redfish/v1/")
        bodies = [root]
        for name in ("Systems", "Managers", "Chassis"):
            bodies += [asked(each["@odata.id"]) for each in asked(root[name]["@odata.id"])["Members"]]
        links = {
            each["@odata.id"]
            for body in bodies
            for each in body.values()
            if isinstance(each, dict) and "@odata.id" in each
        }
        collections = {path for path in links if asked(path).get("@odata.type", "").endswith("Collection")}
    read_ones = {"/redfish/v1/Systems", "/redfish/v1/Managers", "/redfish/v1/Chassis"}
    assert len(collections) >= 6
    assert {path.rstrip("/") for path in collections} - set(reading.unread) <= read_ones


def test_basic_only_where_it_is_allowed(locked_service: str, authority: Authority) -> None:
    """The emulator has no sessions, and takes HTTP Basic (RFC 7617) against a file of bcrypt hashes."""
    with pytest.raises(UnfinishedError, match="needs a login"):
        read(locked_service, authority, None)
    with pytest.raises(InputError, match="Basic was not allowed"):
        read(locked_service, authority, Credentials(USER, PASSWORD))
    with pytest.raises(UnfinishedError, match="needs a login"):
        read(locked_service, authority, Credentials(USER, "wrong", basic=True))
    reading = read(locked_service, authority, Credentials(USER, PASSWORD, basic=True))
    assert {c.kind for c in reading.components} == {"management-controller", "bios"}


def test_nothing_is_sent_where_it_cannot_be_asked_to_wait(open_service: str, authority: Authority) -> None:
    """It has an UpdateService with SimpleUpdate, and states no apply times: it might start an image at once."""
    clock = time.monotonic
    means = SessionMeans(clock, time.sleep, authority.path)
    with Service(service_url(open_service), None, means) as service:
        talk = UploadConversation(service, Placement("holm", "holm-a"), now=clock)
        state = talk.read()
        assert state.update is not None
        order = UploadOrder(("/x",), STAGING, "a.bin", 1, image_uri="https://mirror.example/a.bin")
        way = talk.choose(state, order)
    assert isinstance(way, list)
    assert len(way) == len(UploadWay)
