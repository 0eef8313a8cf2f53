"""verify.py on a volume: what it must not pass over, and standard outputs that cannot print everything."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from bundlekeeper.media.volume import tag_files
from bundlekeeper.media.volume import verify as verifier
from bundlekeeper.media.volume.folder import INDEX, SIGNATURE
from tests.kits.media_write_kit import Piece, World
from tests.kits.older_pythons import older_pythons

VERIFIER = Path(verifier.__file__)
PYTHONS = list(dict.fromkeys([sys.executable, *older_pythons()[:1]]))  # ours, and the oldest that is here


class Named(Piece):
    """A bundle whose file has a name that not every system can print."""

    @property
    def name(self) -> str:
        """The file as published."""
        return f"marram-žluť-{self.version}.bin"


@pytest.fixture
def volume(tmp_path: Path) -> Path:
    (tmp_path / "stick").mkdir()
    World(tmp_path).write(tmp_path / "stick")
    return tmp_path / "stick" / "marram-set0001-1of1"


def verify(*folders: Path, python: str = sys.executable, **env: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [python, VERIFIER, *folders],
        capture_output=True,
        text=True,
        encoding="utf-8",
        errors="backslashreplace",
        check=False,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1", **env},
    )
    assert "Traceback" not in done.stderr
    return done


@pytest.mark.parametrize(
    "name", [tag_files.TAG_MANIFEST, tag_files.SUMS, INDEX, SIGNATURE, tag_files.READ_ME, "bag-info.txt"]
)
def test_a_file_that_every_volume_has_is_missed_whatever_the_lists(volume: Path, name: str) -> None:
    (volume / name).unlink()
    for each in (tag_files.TAG_MANIFEST, tag_files.SUMS):
        if (volume / each).exists():
            lines = (volume / each).read_text().splitlines(keepends=True)
            kept = [line for line in lines if not line.rstrip("\n").endswith((f"  {name}", f"  {tag_files.SUMS}"))]
            (volume / each).write_text("".join(kept))
    done = verify(volume)
    assert done.returncode == 1
    assert f"WRONG  {name}: is not there" in done.stdout


@pytest.mark.parametrize("name", ["autorun.inf", "UNFINISHED.txt", "tool/x", ".hidden"])
def test_strays_are_reported(volume: Path, name: str) -> None:
    (volume / name).parent.mkdir(exist_ok=True)
    (volume / name).write_text("x")
    done = verify(volume)
    assert done.returncode == 1
    assert f"WRONG  {name}: is in no list" in done.stdout
    assert "1 problems" in done.stdout


def test_an_unfinished_volume_is_of_no_other_set(volume: Path, tmp_path: Path) -> None:
    begun = tmp_path / "begun"
    begun.mkdir()
    (begun / "UNFINISHED.txt").write_text("x")
    done = verify(volume, begun)
    assert done.returncode == 1
    assert "was not finished" in done.stdout
    assert "different sets" not in done.stdout


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_names_that_standard_output_cannot_print(tmp_path: Path, python: str, encoding: str) -> None:
    (tmp_path / "stick").mkdir()
    World(tmp_path, [Named("blade", "6.1.0", b"blade")]).write(tmp_path / "stick")
    done = verify(next((tmp_path / "stick").iterdir()), python=python, PYTHONIOENCODING=encoding)
    assert done.returncode == 0, done.stdout + done.stderr
    assert ("žlu" if encoding == "utf-8" else "lu\\u0165") in done.stdout


@pytest.mark.parametrize("python", PYTHONS)
def test_a_reader_that_goes_away_is_no_traceback(volume: Path, python: str) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = subprocess.run([python, VERIFIER, volume], stdout=writer, stderr=subprocess.PIPE, text=True, check=False)
    finally:
        os.close(writer)
    assert (done.returncode, done.stderr) == (2, "")
    if shutil.which("sh"):
        piped = subprocess.run(
            ["sh", "-c", f"'{python}' '{VERIFIER}' '{volume}' | head -n 1"], capture_output=True, text=True, check=False
        )
        assert (piped.stdout, piped.stderr) == (f"{volume}\n", "")


def test_a_standard_output_without_an_encoding(monkeypatch: pytest.MonkeyPatch, volume: Path) -> None:
    class Plain:
        """A stream that somebody put there."""

        def write(self, text: str) -> int:
            return len(text)

        def flush(self) -> None:
            """Nothing is kept."""

    monkeypatch.setattr(sys, "stdout", Plain())
    assert verifier.run([str(volume)]) == 0
