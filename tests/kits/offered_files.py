"""What several tests share with those of store/signatures/test_voucher.py."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.kits.store_kit import GOOD, Kit
from tests.kits.vouching_kit import Signer, stated

WANTED = 'signed_families = ["blade"]'


def offered(kit: Kit, signer: Signer, data: bytes = GOOD) -> SimpleNamespace:
    """A bundle and its signature in the source folder; the bundle as the manifest states it."""
    kit.offer("in/a.bin", data)
    kit.offer("in/a.bin.sig", signer.sign(data))
    return kit.bundle("a.bin", data, signature=stated(signer.form))


@pytest.fixture
def kit(tmp_path: Path) -> Kit:
    """An empty store and an empty source."""
    return Kit(tmp_path)


def signer_in(tmp_path: Path, form: str = "sshsig", **words: Any) -> Signer:
    """A signer with a folder of its own."""
    folder = tmp_path / "signer"
    folder.mkdir(exist_ok=True)
    return Signer(form, folder, **words)
