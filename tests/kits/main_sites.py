"""What several tests share with those of cli/commands/test_media_write.py."""

from __future__ import annotations

import json
from pathlib import Path

from tests.conftest import Keeper, Ran, World
from tests.kits.signing_world import private, private_pem

PACKING = ("media", "pack", "--for", "6.1", "--volume", "4MB:folder", "--out", "packing.json")


class MainSite:
    """A store with the tour's bundles, a packing file, a key, and a folder to write to."""

    def __init__(self, keeper: Keeper, world: World, base: Path) -> None:
        self.keeper, self.base, self.world = keeper, base, world
        assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
        self.packed = keeper(*PACKING)
        (base / "key").write_bytes(private_pem(private("ed25519", 0), ssh=True))
        (base / "key").chmod(0o600)
        (base / "stick").mkdir()
        self.volumes = len(json.loads((base / "packing.json").read_text())["volumes"])

    def write(self, *words: str | Path) -> Ran:
        """Write the packing, signed by the key."""
        return self.keeper("media", "write", "packing.json", "--key", "key", *words)
