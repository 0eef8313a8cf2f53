"""The tool's folder on a volume: it installs with no network, and not when it was changed."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import venv
import zipfile
from importlib import metadata
from pathlib import Path

import pytest

from bundlekeeper import __version__
from bundlekeeper.errors import RefusedError
from bundlekeeper.media.volume import own_wheels
from tests.kits.media_write_kit import World
from tests.kits.sure import some


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> own_wheels.Tool:
    return own_wheels.pack(tmp_path_factory.mktemp("tool"))


def test_every_file_is_named_with_its_hash(packed: own_wheels.Tool) -> None:
    """pip's hash-checking mode: each line pins a version and a hash."""
    lines = packed.files[own_wheels.REQUIREMENTS].read_text().splitlines()
    pins = [line for line in lines if not line.startswith("#")]
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==\S+ --hash=sha256:[0-9a-f]{64}", line) for line in pins)
    assert len(pins) == len(packed.files) - 1
    names = {line.split("==")[0].lower() for line in pins}
    assert {"bundlekeeper", "cryptography", "cffi", "pydantic", "typer"} <= names
    assert not names & {"pytest", "mypy", "ruff", "bagit"}
    assert re.fullmatch(r"# bundlekeeper \S+ and what it needs, for \w*[Pp]ython 3\.\d+ on \S+", lines[0])


def test_a_wheel_is_one_that_pip_accepts(packed: own_wheels.Tool) -> None:
    """Binary distribution format: RECORD names every file with its hash; dist-info stands in it, .pyc do not."""
    for name, path in some((name, path) for name, path in packed.files.items() if name != own_wheels.REQUIREMENTS):
        assert re.fullmatch(r"[\w.]+-[\w.+!]+-[\w.]+-[\w.]+-[\w.]+\.whl", name)
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            (record,) = [each for each in names if each.endswith(".dist-info/RECORD")]
            rows = archive.read(record).decode().splitlines()
            assert len(rows) == len(names) == len(set(names))
            assert not [each for each in names if each.endswith(".pyc") or ".." in each or each.startswith("/")]


def test_the_same_installation_packs_into_the_same_bytes(packed: own_wheels.Tool) -> None:
    name, data = own_wheels._wheel(metadata.distribution("typer"))
    assert packed.files[name].read_bytes() == data


def test_an_installed_file_that_was_changed_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing goes out that its own distribution does not bear out."""
    real = metadata.PackagePath.read_binary

    def changed(path: metadata.PackagePath) -> bytes:
        return real(path) + (b"\n#" if path.as_posix() == "rich/box.py" else b"")

    monkeypatch.setattr(metadata.PackagePath, "read_binary", changed)
    with pytest.raises(RefusedError, match=r"rich/box\.py of rich"):
        own_wheels._wheel(metadata.distribution("rich"))


@pytest.mark.slow
def test_it_installs_into_a_fresh_environment_with_no_index(packed: own_wheels.Tool, tmp_path: Path) -> None:
    """Issue 6: "a wheel folder that installs bundlekeeper itself with no network"; by the line on the volume."""
    stick = tmp_path / "stick"
    stick.mkdir()
    (tmp_path / "main site").mkdir()
    world = World(tmp_path / "main site")
    assert world.write(stick, tool=packed.files).status == 0
    volume = stick / "marram-set0001-1of1"
    text = (volume / "READ-ME-FIRST.txt").read_text()
    (line,) = re.findall("python -m pip install .*", text)
    venv.create(tmp_path / "env", with_pip=True)
    python = str(tmp_path / "env" / "bin" / "python")
    command = [python, *line.split()[1:], "--disable-pip-version-check", "--no-compile"]
    # No proxy, no index, no cache, no configuration: nothing but what is on the volume.
    clean = {"PATH": os.environ["PATH"], "PIP_CONFIG_FILE": os.devnull, "PIP_NO_CACHE_DIR": "1", "HOME": str(tmp_path)}
    done = subprocess.run(command, cwd=volume, env=clean, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    said = subprocess.run(
        [str(tmp_path / "env/bin/bundlekeeper"), "--version"], env=clean, capture_output=True, text=True, check=False
    )
    assert __version__ in said.stdout, said.stderr
    lint = [python, "-m", "bundlekeeper", "manifest", "schema"]
    assert subprocess.run(lint, env=clean, capture_output=True, check=False).returncode == 0
    wheel = next(volume.glob("tool/rich-*.whl"))
    data = bytearray(wheel.read_bytes())
    data[len(data) // 2] ^= 1
    wheel.write_bytes(data)
    again = subprocess.run([*command, "--force-reinstall"], cwd=volume, env=clean, capture_output=True, check=False)
    assert again.returncode != 0
    assert sys.version_info >= (3, 11)
