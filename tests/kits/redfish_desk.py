"""What several tests share with those of cli/commands/test_inventory_read.py."""

from __future__ import annotations

import os
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from tests.conftest import Ran
from tests.kits import forked
from tests.kits.local_server import Authority
from tests.kits.redfish_server import PASSWORD, USER, RedfishServer, World, documents, serving

COMMAND = """
import sys
from bundlekeeper.cli.commands import inventory, inventory_read; from bundlekeeper.cli.screen import run
if "read" not in {c.name for c in inventory.app.registered_commands}:
    inventory_read.register(inventory.app)
sys.exit(run.run(["inventory", "read", *sys.argv[1:]]))
"""


HOLM = ("--site", "holm", "--domain", "holm-a")


@dataclass
class Desk:
    """A folder, services, and the command."""

    folder: Path
    authority: Authority
    stack: ExitStack

    def serve(self, name: str = "rack", **options: object) -> RedfishServer:
        world = World(documents(name), **options)  # type: ignore[arg-type]  # the options are World's own
        return self.stack.enter_context(serving(world, self.authority.context()))

    def environment(self, password: str | None) -> dict[str, str]:
        own = {k: v for k, v in os.environ.items() if not k.startswith("BUNDLEKEEPER_")}
        own |= {"PYTHONWARNINGS": "error", "COLUMNS": "80", "HOME": str(self.folder)}
        return own | ({"BUNDLEKEEPER_PASSWORD": password} if password is not None else {})

    def run(self, *arguments: str, password: str | None = PASSWORD, user: str | None = USER) -> Ran:
        who = ("--user", user) if user else ()
        words = ["-c", COMMAND, *arguments, "--ca", str(self.authority.path), *who]
        done = forked.run(words, env=self.environment(password), cwd=self.folder)
        assert "Traceback" not in done.stderr and PASSWORD not in done.stdout + done.stderr, done.stderr
        return Ran(done.returncode, done.stdout, done.stderr)
