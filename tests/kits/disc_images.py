"""What several tests share with those of media/writing/test_iso.py."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.media.writing.write import WriteMeans
from bundlekeeper.media.writing.write_images import Imaged, ImageOrder, write_images
from bundlekeeper.store.contents.store import Store
from tests.kits.media_write_kit import Counting, World, sign
from tests.kits.store_kit import now


def image(world: World, path: Path, **options: Any) -> Imaged:
    """Make the images."""
    means: dict[str, Any] = {key: options.pop(key) for key in ("stop", "progress") if key in options}
    with Store.open(world.kit.root, write=True) as store:
        with Ledger.open(world.kit.root / ".keeper/ledger.sqlite", write=True) as ledger:
            head = ledger.head()
        given: dict[str, Any] = {"clock": now, "progress": Counting(), "sign": sign, "head": head, **means}
        return write_images(store, world.packing, ImageOrder(path, **options), WriteMeans(**given))


@pytest.fixture
def world(tmp_path: Path) -> World:
    (tmp_path / "main site").mkdir()
    return World(tmp_path / "main site")
