"""Closed streams, poor locales and an early Ctrl-C: none of them is internal error, and none prints a traceback."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.conftest import Keeper, World

POOR = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}


def shell(command: str, folder: Path, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[bytes]:
    """Run `command` by sh, with $KEEPER as our command line and the store in `folder`."""
    keeper = f"{sys.executable} -m bundlekeeper"
    environment = {**os.environ, "BUNDLEKEEPER_STORE": str(folder / "store"), "KEEPER": keeper, **(env or {})}
    done = subprocess.run(["sh", "-c", command], cwd=folder, env=environment, capture_output=True, check=False)
    assert b"Traceback" not in done.stderr, done.stderr
    assert b"error: a bug" not in done.stdout + done.stderr
    return done


@pytest.mark.parametrize(
    ("command", "status"),
    [
        ("$KEEPER store list >&-", 3),
        ("$KEEPER store list --json >&- 2>&-", 3),
        ("$KEEPER verify >&-", 3),
        ("$KEEPER --version >&-", 3),
        ("$KEEPER --help >&-", 3),
        ("$KEEPER --help >&- 2>&- <&-", 3),
        ("$KEEPER store list 2>&-", 0),
        ("$KEEPER store list --store nowhere 2>&-", 2),
        ("$KEEPER store list <&-", 0),
        ("$KEEPER store list 2>/dev/full", 0),
        ("$KEEPER store list >/dev/full", 3),
        ("$KEEPER manifest lint - <&-", 2),
        ("$KEEPER manifest schema -o s.json >&-", 0),
    ],
)
def test_closed_streams(keeper: Keeper, world: World, tmp_path: Path, command: str, status: int) -> None:
    assert keeper("store", "add", world.manifest, "--from", world.downloads).status == 0
    assert shell(command, tmp_path).returncode == status


def test_a_full_disk_under_the_output_is_reported(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """Status 3 without a word is no answer; a reader that went away needs none."""
    assert keeper("store", "add", world.manifest, "--from", world.downloads).status == 0
    for command in ("$KEEPER store list >/dev/full", "$KEEPER store list --json >/dev/full"):
        done = shell(command, tmp_path)
        assert (done.returncode, done.stderr) == (
            3,
            b"error: the output could not be written: No space left on device\n",
        )


@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&- <&-"])
def test_what_is_printed_into_a_closed_stream_lands_in_no_file(
    keeper: Keeper, world: World, tmp_path: Path, closed: str
) -> None:
    """The next file that is opened gets the lowest free number, 1 where stdout is closed."""
    done = shell(f"$KEEPER store add marram.toml --from downloads {closed}", tmp_path)
    assert done.returncode == (3 if ">&- " in closed + " " and not closed.startswith("2") else 0)
    assert keeper("verify").status == 0


def test_a_poor_locale_prints_escapes(world: World, tmp_path: Path) -> None:
    """A character that the locale lacks is no reason to stop."""
    text = world.manifest.read_text().replace('platform = "marram"', 'platform = "marrÄm"', 1)
    (tmp_path / "ä.toml").write_text(text)
    for command in ("manifest lint ä.toml", "manifest show ä.toml", "manifest lint ä.toml --json", "--help", "Ä"):
        done = shell(f"$KEEPER {command}", tmp_path, POOR)
        assert done.returncode in (0, 1, 2), command
        assert (done.stdout + done.stderr).isascii()


def test_a_drafts_text_is_utf_8_in_any_locale(world: World, tmp_path: Path) -> None:
    """TOML 1.0.0: 'A TOML file must be a valid UTF-8 encoded Unicode document.'"""
    (tmp_path / "blade-ü.bin").write_bytes(b"x")
    done = shell("$KEEPER manifest draft blade-*.bin --quiet", tmp_path, POOR)
    assert done.returncode == 0
    assert tomllib.loads(done.stdout.decode("utf-8"))["bundle"][0]["file"] == "blade-ü.bin"


def test_ctrl_c_before_the_signals_are_handled(tmp_path: Path) -> None:
    program = (
        "import os, signal, sys, time\n"
        "class Finder:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'bundlekeeper.cli.screen.run':\n"
        "            os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Finder())\n"
        "sys.argv = ['bundlekeeper', 'store', 'list']\n"
        "from bundlekeeper.__main__ import main\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "error: stopped by a signal\n")


def test_a_folder_where_a_file_is_meant(keeper: Keeper, world: World, tmp_path: Path) -> None:
    for words in (["confirm", world.manifest, "--against", tmp_path], ["lint", tmp_path], ["show", tmp_path]):
        ran = keeper("manifest", *words)
        assert ran.status == 2
        assert "is a folder" in ran.err


def test_a_pipe_without_a_writer_is_refused_and_one_with_a_writer_is_read(world: World, tmp_path: Path) -> None:
    """Read as an empty file it would be a manifest with every key missing, which nobody meant."""
    os.mkfifo(tmp_path / "pipe")
    assert shell("$KEEPER manifest lint pipe", tmp_path).returncode == 2
    done = shell("(exec 3<>pipe; cat marram.toml >&3; exec 4<pipe 3>&-; $KEEPER manifest lint /dev/fd/4)", tmp_path)
    assert done.returncode == 0, done.stderr
