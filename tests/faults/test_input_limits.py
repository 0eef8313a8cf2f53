"""Input over a limit is refused, whole: what was cut at its limit would be another document that nobody wrote.

Each begins with a document that is good by itself and goes on with what its format passes over, so that a reader that
stopped at the limit would find nothing wrong.
"""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.jobs.inputs import read_bounded
from tests.conftest import MARRAM, Keeper, World

MIB = 1024 * 1024
BLANK = "\n"


def padded(text: str, limit: int) -> str:
    """The text, with empty lines to one byte more than the limit."""
    return text + BLANK * (limit + 1 - len(text.encode()))


@pytest.mark.parametrize(
    ("words", "limit"),
    [
        (["manifest", "lint", "-"], 16 * MIB),
        (["manifest", "show", "-"], 16 * MIB),
        (["manifest", "confirm", "-", "--against", "LIST"], 16 * MIB),
        (["manifest", "confirm", "MARRAM", "--against", "-"], 16 * MIB),
        (["store", "add", "-", "--from", "DOWNLOADS"], 16 * MIB),
        (["verify", "-", "--at", "DOWNLOADS"], 16 * MIB),
        (["inventory", "load", "-", "--form", "toml", "--reported-by", "kim"], 64 * MIB),
        (["stage", "--file", "-", "--reported-by", "kim"], 16 * MIB),
        (["receipt", "read", "-"], 64 * 1024),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_more_than_the_limit_on_stdin_is_refused(
    keeper: Keeper, world: World, tmp_path: Path, words: list[str], limit: int
) -> None:
    list_ = "".join(f"{'0' * 64}  {name}\n" for name in world.names())
    (tmp_path / "list").write_text(list_)
    texts = {"LIST": tmp_path / "list", "MARRAM": world.manifest, "DOWNLOADS": world.downloads}
    begins = world.manifest.read_text()
    if "inventory" in words:
        begins = MARRAM.read_text()
    if "stage" in words:
        begins = "component,bundle\n"
    if "MARRAM" in words:
        begins = list_
    ran = keeper(*(texts.get(word, word) for word in words), stdin=padded(begins, limit))
    assert ran.status == 2 or (ran.status == 1 and "lint" in words), ran.out + ran.err
    assert f"is larger than {limit} bytes" in ran.out + ran.err


def test_a_line_of_another_ledger_that_is_too_long_is_refused(keeper: Keeper, office: Keeper, tmp_path: Path) -> None:

    ran = keeper("ledger", "merge", "-", stdin='{"' + "x" * (limits.LEDGER_LINE_BYTES + 1))
    assert ran.status == 2
    assert f"a line of more than {limits.LEDGER_LINE_BYTES} bytes" in ran.err


@pytest.mark.parametrize("given", ["stdin", "a pipe", "a file"])
@pytest.mark.parametrize("over", [0, 1])
def test_the_limit_is_the_last_size_that_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, given: str, over: int
) -> None:
    """Of each way in: the limit itself is read whole, one byte more is refused."""
    data = b"x" * (1000 + over)
    name = "-"
    if given == "stdin":
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))
    elif given == "a pipe":
        reading, writing = os.pipe()
        os.write(writing, data)
        os.close(writing)
        name = f"/proc/self/fd/{reading}"
    else:
        (tmp_path / "file").write_bytes(data)
        name = str(tmp_path / "file")
    if not over:
        assert read_bounded(name, 1000, "the thing") == data
        return
    with pytest.raises(InputError, match="the thing is larger than 1000 bytes"):
        read_bounded(name, 1000, "the thing")
    assert limits.MANIFEST_BYTES == 16 * MIB
