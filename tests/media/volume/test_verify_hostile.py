"""verify.py on a hostile volume: it reads nothing outside, ends, prints no control character, shows no traceback.

Fault 97: "paths outside, /dev/zero, escapes, deep folders | said, no traceback, nothing read outside". What is
opened is asked of the interpreter's own audit events (PEP 578), not of the program. The lists are made again, as a
thief would.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.media.volume import verify as verifier
from tests.kits.media_write_kit import SPLIT, World
from tests.kits.older_pythons import older_pythons

VERIFIER = Path(verifier.__file__)
PYTHONS = list(dict.fromkeys([sys.executable, *older_pythons()]))
HUGE = 100 << 30

_WATCHED = """
import os, runpy, sys
def seen(event, args):
    if event == "open" and isinstance(args[0], (str, bytes)):
        sys.stderr.write("OPENED " + ascii(os.path.realpath(args[0])) + "\\n")
sys.argv = sys.argv[1:]
sys.addaudithook(seen)
runpy.run_path(sys.argv[0], run_name="__main__")
"""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A set on three volumes, for `volumes` to copy."""
    base = tmp_path_factory.mktemp("written")
    (base / "main site").mkdir()
    (base / "stick").mkdir()
    assert World(base / "main site", SPLIT, 3).write(base / "stick").status == 0
    return base / "stick"


@pytest.fixture
def volumes(tmp_path: Path, written: Path) -> list[Path]:
    return sorted(shutil.copytree(written, tmp_path / "stick").iterdir())


def verify(*folders: Path | str, python: str = sys.executable) -> tuple[int, str, set[Path]]:
    """The exit status, what was printed, and what was opened below /tmp or /dev or /etc, by real path."""
    command = [python, "-I", "-S", "-B", "-c", _WATCHED, VERIFIER, *folders]
    done = subprocess.run(command, capture_output=True, check=False, stdin=subprocess.DEVNULL)
    said = done.stdout.decode("utf-8", "surrogateescape")
    errors = done.stderr.decode("utf-8", "surrogateescape")
    assert "Traceback" not in errors, errors
    assert re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069]", said) is None
    opened = {Path(line[8:-1]) for line in errors.splitlines() if line.startswith("OPENED '")}
    return done.returncode, said, {path for path in opened if path.parts[1] in ("tmp", "dev", "etc", "proc")}


def changed(volume: Path, change: Callable[[dict[str, Any]], Any]) -> None:
    """Change the set's index on a volume, and make the lists again."""
    path = volume / "set-index.json"
    document = json.loads(path.read_bytes())
    change(document)
    path.write_text(json.dumps(document))
    lists_again(volume)


def lists_again(volume: Path) -> None:
    """The two lists over what lies there."""
    for name in ("SHA256SUMS", "tagmanifest-sha256.txt"):
        skip = {"SHA256SUMS", "tagmanifest-sha256.txt"} if name == "SHA256SUMS" else {name}
        paths = sorted(p for p in volume.rglob("*") if p.is_file() and not p.is_symlink() and p.name not in skip)
        if name != "SHA256SUMS":
            paths = [p for p in paths if not p.is_relative_to(volume / "data")]
        rows = [f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.relative_to(volume).as_posix()}\n" for p in paths]
        (volume / name).write_text("".join(rows))


def split_file(document: dict[str, Any]) -> dict[str, Any]:
    (found,) = [f for f in document["files"] if not f["common"] and len(f["parts"]) > 1]
    return found  # type: ignore[no-any-return]


@pytest.mark.parametrize("python", PYTHONS)
def test_a_volume_as_it_was_written_is_whole(volumes: list[Path], python: str) -> None:
    status, said, opened = verify(*volumes, python=python)
    assert (status, ", 0 problems" in said) == (0, True), said
    assert all(path.is_relative_to(volumes[0].parent) for path in opened - {VERIFIER})


OUTSIDE = ["/dev/zero", "../../../../../../../../etc/hostname", "data/../../../outside", "C:\\x", "~/x", "", "."]


@pytest.mark.fault(97)
@pytest.mark.parametrize("python", PYTHONS[-2:])
@pytest.mark.parametrize("path", OUTSIDE)
def test_a_part_that_the_index_places_outside(volumes: list[Path], path: str, python: str) -> None:
    """Every part of a split file is read to verify the whole: one that is /dev/zero would never end."""
    (volumes[0].parent / "outside").write_text("x")
    for volume in volumes:
        changed(volume, lambda d: split_file(d)["parts"][1].update(path=path))
    status, said, opened = verify(*volumes, python=python)
    assert status == 1
    assert "set-index.json: is not an index in the right form (ValueError: it names a place outside" in said
    assert all(path.is_relative_to(volumes[0].parent) for path in opened - {VERIFIER})
    assert volumes[0].parent / "outside" not in opened


@pytest.mark.parametrize("path", OUTSIDE[:5])
def test_a_list_that_names_a_place_outside(volumes: list[Path], path: str) -> None:
    with (volumes[1] / "manifest-sha256.txt").open("a") as file:
        file.write(f"{'0' * 64}  {path}\n")
    lists_again(volumes[1])
    status, said, opened = verify(volumes[1])
    assert (status, "outside the volume" in said) == (1, True)
    assert all(path.is_relative_to(volumes[1]) for path in opened - {VERIFIER})


@pytest.mark.fault(97)
@pytest.mark.parametrize("name", ["READ-ME-FIRST.txt", "bag-info.txt", "set-index.json", "bagit.txt", "SHA256SUMS"])
@pytest.mark.parametrize("kind", ["link", "zero", "fifo", "folder-link"])
def test_what_is_no_regular_file_is_not_opened(volumes: list[Path], tmp_path: Path, name: str, kind: str) -> None:
    volume = volumes[0]
    (volume / name).unlink()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "x").write_text("x")
    if kind == "fifo":
        os.mkfifo(volume / name)
    else:
        to = {"link": tmp_path / "elsewhere/x", "zero": Path("/dev/zero"), "folder-link": tmp_path / "elsewhere"}[kind]
        (volume / name).symlink_to(to)
    status, said, opened = verify(volume)
    assert status == 1
    assert f"{name}: is neither a file nor a folder" in said
    assert all(path.is_relative_to(volume) for path in opened - {VERIFIER})


def test_a_payload_folder_that_is_a_link(volumes: list[Path], tmp_path: Path) -> None:
    (volumes[0] / "data").rename(tmp_path / "data")
    (volumes[0] / "data").symlink_to(tmp_path / "data")
    status, said, opened = verify(*volumes)
    assert (status, "data: is neither a file nor a folder" in said) == (1, True)
    assert all(path.is_relative_to(volumes[0].parent) for path in opened - {VERIFIER})


CONTROL = "\x1b[2J\x1b]0;x\x07\u202eexe.txt\x9b\r\u2066"


@pytest.mark.fault(97)
def test_control_characters_are_shown(volumes: list[Path]) -> None:
    """In names, in lists, in bag-info.txt, in the index: an escape may clear the screen and say that all is well."""
    volume = volumes[0]
    (volume / ("evil" + CONTROL.replace("\r", ""))).write_text("x")
    info = volume / "bag-info.txt"
    info.write_text(
        re.sub(r"(Payload-Oxum|Bag-Group-Identifier): .*", r"\1: 1" + CONTROL[:-3] + ".1", info.read_text())
    )
    with (volume / "manifest-sha256.txt").open("a", newline="") as file:
        file.write(f"{'0' * 64}  data/{CONTROL}\n{CONTROL}\n{'0' * 64}  ../{CONTROL}\n")
    changed(volume, lambda d: split_file(d).update(path=CONTROL))
    changed(volume, lambda d: split_file(d)["parts"][2].update(volume=CONTROL))
    status, said, _ = verify(*volumes)
    assert status == 1
    assert "\\u001b" in said
    assert verify(volume)[0] == 1


CHANGES: dict[str, Callable[[dict[str, Any]], Any]] = {
    "no files": lambda d: d.pop("files"),
    "files a number": lambda d: d.update(files=1),
    "files a table": lambda d: d.update(files={"a": 1}),
    "a file that is none": lambda d: d["files"].append("x"),
    "null": lambda d: d["files"].insert(0, None),
    "no parts": lambda d: split_file(d).pop("parts"),
    "parts a word": lambda d: split_file(d).update(parts="xy"),
    "parts of words": lambda d: split_file(d).update(parts=["x", "y"]),
    "no common": lambda d: split_file(d).pop("common"),
    "no digest": lambda d: split_file(d).pop("sha256"),
    "no path": lambda d: split_file(d).pop("path"),
    "path a list": lambda d: split_file(d).update(path=["x"]),
    "part without a path": lambda d: split_file(d)["parts"][0].pop("path"),
    "part without a size": lambda d: split_file(d)["parts"][0].pop("size"),
    "part of another size": lambda d: split_file(d)["parts"][0].update(size=7),
    "part path a number": lambda d: split_file(d)["parts"][0].update(path=7),
    "part volume a list": lambda d: split_file(d)["parts"][0].update(volume=[]),
    "no texts": lambda d: d.pop("texts"),
    "texts of words": lambda d: d.update(texts=["x"]),
    "text of another digest": lambda d: d["texts"][0].update(sha256="0" * 64),
    "deep": lambda d: d.update(notes=json.loads("[" * 900 + "]" * 900)),
}


@pytest.mark.parametrize("which", [[0], [1], [0, 1, 2]])
@pytest.mark.parametrize("name", [name for name in CHANGES if name != "deep"])
def test_an_index_that_is_not_formed_as_it_must_be(volumes: list[Path], name: str, which: list[int]) -> None:
    for number in which:
        changed(volumes[number], CHANGES[name])
    status, said, _ = verify(*volumes)
    assert status == 1
    assert "WRONG" in said or "the volumes of one set carry different ones" in said


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize(
    "text", ["[" * 200_000, '{"files":' * 100_000, '{"files":[' + "9" * 2_000_000 + "]}", "\xff", "[]", "null", ""]
)
def test_an_index_that_no_reader_accepts(volumes: list[Path], text: str, python: str) -> None:
    (volumes[0] / "set-index.json").write_bytes(text.encode("latin-1"))
    lists_again(volumes[0])
    status, said, _ = verify(*volumes, python=python)
    assert (status, "set-index.json" in said) == (1, True), said


@pytest.mark.fault(97)
@pytest.mark.parametrize("python", PYTHONS)
def test_folders_inside_each_other_1100_deep(volumes: list[Path], python: str) -> None:
    here = os.open(volumes[0] / "data", os.O_RDONLY)
    for _ in range(1100):
        os.mkdir("d", dir_fd=here)
        below = os.open("d", os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = below
    os.close(os.open("x", os.O_WRONLY | os.O_CREAT, dir_fd=here))
    os.close(here)
    try:
        status, said, _ = verify(volumes[0], python=python)
    finally:  # Python's own rmtree cannot
        subprocess.run(["rm", "-rf", volumes[0] / "data" / "d"], check=True)
    assert (status, "folders inside each other" in said) == (1, True)


@pytest.mark.skipif(os.geteuid() != 0, reason="a file is made unreadable for another user")
def test_what_may_not_be_read(volumes: list[Path]) -> None:
    volume = volumes[0]
    for name in ("READ-ME-FIRST.txt", "bag-info.txt", "set-index.json", "manifest-sha256.txt", "data"):
        (volume / name).chmod(0)
    base = volume
    while base != Path("/tmp"):
        base = base.parent
        base.chmod(base.stat().st_mode | 0o055)
    code = "import __future__, hashlib, itertools, json, os, re, signal, stat, sys, typing\n"  # before it may not
    code += f"os.setgroups([]); os.setgid(65534); os.setuid(65534); sys.argv = ['v', {str(volume)!r}]\n"
    code += f"exec(compile({VERIFIER.read_text()!r}, 'v', 'exec'))"
    done = subprocess.run([sys.executable, "-I", "-S", "-c", code], capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr, done.stderr
    assert done.returncode == 1
    assert "cannot be read" in done.stdout
    assert "cannot be looked into" in done.stdout


@pytest.mark.parametrize("keep", [0, 3])
def test_a_list_of_lists_that_was_cut_is_a_problem(volumes: list[Path], keep: int) -> None:
    """No other list has its digest: it has a line for every file of SHA256SUMS outside data/, and for that."""
    tags = volumes[0] / "tagmanifest-sha256.txt"
    tags.write_text("".join(tags.read_text().splitlines(keepends=True)[:keep]))
    status, said, _ = verify(volumes[0])
    assert (status, "WRONG  tagmanifest-sha256.txt: has no line for bagit.txt" in said) == (1, True), said


@pytest.mark.parametrize("without", ["", "set-index.json", "bag-info.txt"])
@pytest.mark.parametrize(
    "name", ["data/x", "data/rack/6.1.0/marram-rack-6.1.0.bin", "READ-ME-FIRST.txt", "SHA256SUMS", "x"]
)
def test_a_file_of_100_gb_that_nothing_vouches_for_is_not_read(volumes: list[Path], name: str, without: str) -> None:
    """By the index's sizes, by the Payload-Oxum where the index is gone, by a limit for what neither speaks of."""
    volume = volumes[2]
    (volume / name).touch()
    for each in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        if (
            name.startswith("data/") == (each == "manifest-sha256.txt")
            and f"  {name}\n" not in (volume / each).read_text()
        ):
            with (volume / each).open("a") as file:
                file.write(f"{'0' * 64}  {name}\n")
    os.truncate(volume / name, HUGE)
    if without:
        (volume / without).unlink()
    status, said, _ = verify(volume)
    assert status == 1
    assert re.search(rf"WRONG  {re.escape(name)}: .*(bytes|larger)", said), said


def test_a_list_of_more_lines_than_a_volume_has_files(volumes: list[Path]) -> None:
    with (volumes[0] / "manifest-sha256.txt").open("a") as file:
        file.writelines(f"{n:064x}  data/{n}\n" for n in range(100_001))
    status, said, _ = verify(volumes[0])
    assert (status, "lines" in said) == (1, True)
    assert len(said.splitlines()) < 1000


@pytest.mark.parametrize("python", PYTHONS)
def test_ctrl_c_is_no_traceback(volumes: list[Path], python: str) -> None:
    code = f"""
import hashlib, os, signal, sys
real = hashlib.new
def new(name):
    os.kill(os.getpid(), signal.SIGINT)
    return real(name)
hashlib.new = new
sys.argv = ["v", {str(volumes[0])!r}]
exec(compile({VERIFIER.read_text()!r}, "v", "exec"))
"""
    done = subprocess.run([python, "-I", "-S", "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (130, "")
    assert done.stdout.endswith("stopped before the end: what was not read was not verified\n")
