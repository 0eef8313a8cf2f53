"""A store with bundles for chassis controllers, many small domains of them, and services that take updates.

One store is shared by all tests of a run, because making one costs more than using it; each test takes a domain of its
own, which has one pair of chassis controllers.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

from tests.conftest import Ran
from tests.kits import forked
from tests.kits.local_server import Authority
from tests.kits.redfish_server import PASSWORD, USER, RedfishServer, serving
from tests.kits.redfish_service import Device, UpdateHandler, UpdateWorld

DOMAINS = 60
VERSIONS = ("5.4.10", "6.0.1", "6.1.0")
OLD, NEW = "6.0.1", "6.1.0"
BUNDLE = f"infrastructure/{NEW}"
SIZE = 300_000

_HEAD = """manifest = 1
platform = "marram"
sequence = 1
issued = 2026-08-14
expires = 2099-01-01
families = ["infrastructure", "blade"]

[kind.chassis-controller]
upload = true
"""
_RULES = """
[[release]]
name = "6.1"
infrastructure = "6.1.0"
blade = "6.1.0"

[[jump]]
what = { family = "infrastructure" }
to = ">=6.0"
from = ">=5.4"
source = "release notes 6.0, table 2"
"""


def content(family: str, version: str) -> bytes:
    """A bundle's bytes: SHAKE-256 (FIPS 202) of its name."""
    return hashlib.shake_256(f"{family} {version}".encode()).digest(SIZE)


def manifest() -> str:
    """The manifest."""
    rows = []
    for family, kind, model in (("infrastructure", "chassis-controller", "Dune-8"), ("blade", "bios", "Tern-2")):
        for version in VERSIONS:
            digest = hashlib.sha256(content(family, version)).hexdigest()
            rows.append(f'''
[[bundle]]
family = "{family}"
version = "{version}"
file = "marram-{family}-{version}.bin"
size = {SIZE}
sha256 = "{digest}"
digest_from = "publisher: download page, 2026-08-02"
images = [{{ kind = "{kind}", models = ["{model}"], version = "{version}", size = 1000, minutes = 12 }}]
''')
    return _HEAD + "".join(rows) + _RULES


def inventory() -> str:
    """The domains, each with the two chassis controllers of one chassis."""
    rows = ['inventory = 1\nread_at = 2026-11-20T08:00:00Z\nzone = "UTC"\n']
    for number in range(DOMAINS):
        for half, word in ((1, "leading"), (2, "following")):
            rows.append(
                f'[[component]]\nsite = "holm"\ndomain = "holm-{number}"\nchassis = "1"\nslot = "cmc-{half}"\n'
                f'kind = "chassis-controller"\nmodel = "Dune-8"\nserial = "{serial(number, half)}"\nactive = "{OLD}"\n'
                f'pair = "cmc"\nhalf = "{word}"\nhealthy = true\n'
            )
    return "\n".join(rows)


def serial(number: int, half: int) -> str:
    """A chassis controller's serial."""
    return f"HOLM{number}-CC{half}"


@dataclass
class UploadDesk:
    """The store, a domain for the test that asks for one, services, and the command."""

    folder: Path
    authority: Authority
    domains: Iterator[int] = field(default_factory=count)
    stack: ExitStack = field(default_factory=ExitStack)

    @classmethod
    def made(cls, folder: Path) -> UploadDesk:
        """A new store with its bundles and its inventory."""
        desk = cls(folder, Authority(folder))
        (folder / "downloads").mkdir()
        for family in ("infrastructure", "blade"):
            for version in VERSIONS:
                (folder / "downloads" / f"marram-{family}-{version}.bin").write_bytes(content(family, version))
        (folder / "marram.toml").write_text(manifest(), "utf-8")
        (folder / "inventory.toml").write_text(inventory(), "utf-8")
        for words in (
            ("store", "add", "marram.toml", "--from", "downloads", "--quiet"),
            ("inventory", "load", "inventory.toml", "--reported-by", "kim"),
        ):
            done = desk.run(*words)
            assert done.status == 0, done.out + done.err
        return desk

    def domain(self) -> tuple[str, str, str]:
        """A domain of the test's own: its name and the serials of its two controllers."""
        number = next(self.domains)
        assert number < DOMAINS, "there are not enough domains"
        return f"holm-{number}", serial(number, 1), serial(number, 2)

    def service(self, *serials: str, **options: Any) -> RedfishServer:
        """A service that has these controllers."""
        devices = [Device(f"CMC{number}", text) for number, text in enumerate(serials, 1)]
        contents = {hashlib.sha256(content("infrastructure", version)).hexdigest(): version for version in VERSIONS}
        world = UpdateWorld(devices=devices, contents=contents, **options)
        return self.stack.enter_context(serving(world, self.authority.context(), UpdateHandler))

    def run(self, *words: str, stdin: str = "") -> Ran:
        """One command on the store."""
        done = forked.run(["-m", "bundlekeeper", *words], env=self.environment(), stdin=stdin, cwd=self.folder)
        assert "Traceback" not in done.stderr, done.stderr
        assert PASSWORD not in done.stdout + done.stderr
        return Ran(done.returncode, done.stdout, done.stderr)

    def environment(self) -> dict[str, str]:
        """The environment of a command on the store."""
        own = {key: text for key, text in os.environ.items() if not key.startswith("BUNDLEKEEPER_")}
        own |= {"BUNDLEKEEPER_STORE": str(self.folder / "store"), "COLUMNS": "240", "HOME": str(self.folder)}
        return own | {"BUNDLEKEEPER_PASSWORD": PASSWORD}

    def words(self, target: str, *servers: RedfishServer, bundle: str = BUNDLE) -> list[str]:
        """The words of an upload to a target by these services."""
        services = [word for server in servers for word in ("--service", server.url)]
        own = ["--ca", str(self.authority.path), "--user", USER, "--reported-by", "kim"]
        return ["stage", target, "--bundle", bundle, "--upload", *services, *own]

    def upload(self, target: str, *servers: RedfishServer, more: tuple[str, ...] = (), bundle: str = BUNDLE) -> Ran:
        """An upload, answered as JSON."""
        return self.run(*self.words(target, *servers, bundle=bundle), "--json", *more)

    def state(self, serial: str) -> dict[str, Any]:
        """What `where` has of a component."""
        found = self.run("where", serial, "--json").json
        (row,) = [row for row in found["components"] if row["component"] == serial]
        return dict(row)

    def history(self, serial: str) -> list[dict[str, Any]]:
        """What was recorded of a component, after its inventory."""
        rows = self.run("where", serial, "--history", "--json").json["history"]
        return [row["event"] for row in rows if not row["event"].get("reading")]


def update_world(server: RedfishServer) -> UpdateWorld:
    """A server's state."""
    found = server.world
    assert isinstance(found, UpdateWorld)
    return found
