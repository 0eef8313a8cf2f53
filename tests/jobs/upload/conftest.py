"""The desk that all uploads of a run share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.kits.upload_world import UploadDesk


@pytest.fixture(scope="session")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[UploadDesk]:
    made = UploadDesk.made(Path(tmp_path_factory.mktemp("uploads")))
    with made.stack:
        yield made
