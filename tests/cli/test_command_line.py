"""The command line as a user meets it: real processes, exit statuses, envelopes, nothing smuggled to the terminal."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import select
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from bundlekeeper import __version__, errors
from bundlekeeper.cli.screen.help import COMMANDS, EXIT_STATUSES, root_help
from tests.conftest import Keeper, World
from tests.kits.sure import wait_until

NASTY = "\x1b]0;owned\x07[bold red]x[/] \u202egnp.\x9b31m"


def test_version_and_help_cost_no_import(keeper: Keeper) -> None:
    """`--help` and `--version` answered before anything is imported."""
    assert keeper("--version").out == f"bundlekeeper {__version__}\n"
    assert keeper("--help").out == keeper("-h").out == keeper().out == root_help()
    code = "import sys; sys.argv=['bundlekeeper','--help']; from bundlekeeper.__main__ import main; main()"
    done = subprocess.run([sys.executable, "-X", "importtime", "-c", code], capture_output=True, text=True, check=True)
    imported = {line.rsplit("|", 1)[1].strip() for line in done.stderr.splitlines() if "|" in line}
    assert not imported & {"typer", "rich", "pydantic", "dataclasses", "pathlib.py", "sqlite3", "json"}


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_both_ways(keeper: Keeper, command: str) -> None:
    """`-h` and `--help` both."""
    long, short = keeper(command, "--help"), keeper(command, "-h")
    assert long.status == short.status == 0
    assert long.out == short.out
    assert f"Usage: bundlekeeper {command}" in long.out


def test_a_query_imports_no_heavy_library(keeper: Keeper, world: World) -> None:
    """Asking *where* must not pay for pydantic, httpx or cryptography."""
    keeper("store", "add", world.manifest, "--from", world.downloads)
    code = (
        "import sys; from bundlekeeper.cli.screen.run import run; status = run(['store', 'list', '--json']); "
        "print(sorted({m.split('.')[0] for m in sys.modules}), file=sys.stderr); sys.exit(status)"
    )
    store = str(world.manifest.parent / "store")
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "BUNDLEKEEPER_STORE": store},
        capture_output=True,
        text=True,
        check=True,
    )
    assert not {"pydantic", "httpx", "cryptography", "rich", "platformdirs"} & set(re.findall(r"'(\w+)'", done.stderr))


@pytest.mark.parametrize(
    ("words", "near"),
    [
        (["stroe"], "store"),
        (["manfest"], "manifest"),
        (["manifest", "lnt", "x"], ""),
        (["--jsno"], ""),
        (["store", "add"], ""),
    ],
)
def test_a_wrong_command_line_is_2_and_says_what_to_do(keeper: Keeper, words: list[str], near: str) -> None:
    """A wrong word is reported with what was probably meant, on stderr, exit status 2."""
    ran = keeper(*words)
    assert ran.status == 2
    assert ran.out == ""
    assert "error:" in ran.err
    assert "hint:" in ran.err
    assert near in ran.err


def test_errors_use_the_same_envelope(keeper: Keeper, tmp_path: Path) -> None:
    """Errors use the same envelope."""
    for words in (
        ["store", "list", "--json"],
        ["store", "add", "absent.toml", "--from", ".", "--json"],
        ["verify", "--json"],
    ):
        ran = keeper(*words)
        document = ran.json
        assert document["schema"] == f"bundlekeeper.{'-'.join(word for word in words[:2] if word.isalpha())}/1"
        assert document["ok"] is False
        assert document["findings"] == []
        assert document["error"]["exit"] == ran.status == 2
        assert document["error"]["message"]


def test_what_is_printed_to_be_pasted_asks_the_store_that_was_named(keeper: Keeper, tmp_path: Path) -> None:
    """In a next line, a way back, a hint, and in JSON; before the command or after it."""
    inventory = Path(__file__).parents[2] / "manifests" / "marram-2026-11.toml"
    loaded = keeper("--store", "other", "inventory", "load", inventory, "--reported-by", "kim")
    assert loaded.err == "next: bundlekeeper where --store other\n"
    assert "bundlekeeper ledger undo --store other " in loaded.out
    keeper("stage", "HOLMA-IO1", "--version", "6.1.0", "--store=other")
    found = keeper("status", "--store", "other", "--json").json
    assert [item["command"] for item in found["items"]] == ["bundlekeeper where --store other --staged"]
    assert [row["hint"] for row in found["findings"]] == ["bundlekeeper activate --store other, when it is its turn"]
    assert keeper("--store", "other", "explain", "missing").status == 0  # so that an alias with a store is one of all
    asked = keeper("verify", "--store", "none")
    assert "make one: bundlekeeper store add --store none MANIFEST" in asked.err


def test_the_whole_job(keeper: Keeper, world: World) -> None:
    """Add, list, verify; then every kind of damage on a copy, each with its finding."""
    took = keeper("store", "add", world.manifest, "--from", world.downloads, "--json")
    assert took.status == 0, took.out
    assert took.json["schema"] == "bundlekeeper.store-add/1"
    again = keeper("store", "add", world.manifest, "--from", world.downloads, "--json")
    assert again.status == 0
    assert {row["status"] for row in again.json["bundles"]} == {"already there"}
    assert again.json["counts"]["read_bytes"] == 0
    stored = keeper("store", "list", "--json").json
    assert [row["state"] for row in stored["bundles"]] == ["verified"] * 9
    assert keeper("verify").status == 0

    stick = world.manifest.parent / "stick"
    shutil.copytree(world.downloads, stick)
    names = world.names()
    damage = dict(zip(("altered", "truncated", "extended", "missing", "misnamed"), names, strict=False))
    data = bytearray((stick / damage["altered"]).read_bytes())
    data[-1] ^= 1
    (stick / damage["altered"]).write_bytes(data)
    os.truncate(stick / damage["truncated"], 1000)
    with (stick / damage["extended"]).open("ab") as file:
        file.write(b"\0")
    (stick / damage["missing"]).unlink()
    (stick / damage["misnamed"]).rename(stick / "quarter.bin")
    (stick / "holiday.jpg").write_bytes(b"x")
    found = keeper("verify", world.manifest, "--at", stick, "--json")
    assert found.status == 1
    codes = {(f["code"], f["subject"]) for f in found.json["findings"]}
    assert {(code, name) for code, name in damage.items() if code != "misnamed"} <= codes
    assert {code for code, _ in codes} == {*damage, "extra"}
    assert found.json["counts"]["verified"] + found.json["counts"]["unverified"] == 9


@pytest.mark.fault(72)
@pytest.mark.fault(73)
def test_names_and_texts_cannot_reach_the_terminal(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """ "file names and manifest strings can't inject terminal escapes or rich markup" (issue 2, point 7)"""
    text = world.manifest.read_text()
    quoted = json.dumps(NASTY)
    text = text.replace('platform = "marram"', f'platform = "marram"\nnote = {quoted}\nodd = {quoted}', 1)
    text = text.replace('name = "6.1"', f"name = {quoted}", 1).replace("release notes 6.1, table 2", NASTY_TOML, 1)
    world.manifest.write_text(text)
    (world.downloads / "\x1b[2Jevil[link=x].bin").write_bytes(b"x")
    lines: list[list[str | Path]] = [
        ["manifest", "lint", world.manifest],
        ["manifest", "show", world.manifest],
        ["verify", world.manifest, "--at", world.downloads],
        ["store", "add", world.manifest, "--from", f"nowhere{NASTY}"],
        ["manifest", "draft", world.downloads],
        ["store", "list", "--store", NASTY],
        [NASTY],
    ]
    for words in lines:
        ran = keeper(*words)
        on_terminal = _on_a_terminal(words, tmp_path)
        for output in (ran.out, ran.err, _without_colours(on_terminal)):
            assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202e]", output.replace("\r", "")), (words, output)


NASTY_TOML = json.dumps(NASTY)[1:-1]


def _without_colours(text: str) -> str:
    """Take away what rich and we may write: SGR colours, cursor moves of the progress bar."""
    return re.sub(r"\x1b\[[0-9;?]*[mKAhlJG]", "", text)


def _on_a_terminal(words: list[str | Path], cwd: Path) -> str:
    """Run on a pseudo-terminal of 80 columns and return all that was written to it."""
    leader, follower = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "bundlekeeper", *map(str, words)],
        stdin=follower,
        stdout=follower,
        stderr=follower,
        cwd=cwd,
        env={**os.environ, "BUNDLEKEEPER_STORE": str(cwd / "store"), "TERM": "xterm-256color", "COLUMNS": "80"},
        close_fds=True,
    )
    os.close(follower)
    seen = b""
    while True:
        ready, _, _ = select.select([leader], [], [], 30)
        try:
            block = os.read(leader, 65536) if ready else b""
        except OSError:  # EIO: the other side was closed
            break
        if not block:
            break
        seen += block
    process.wait()
    os.close(leader)
    return seen.decode("utf-8", "replace")


@pytest.mark.fault(86)
def test_a_reader_that_goes_away_is_no_finding_and_no_bug(world: World, tmp_path: Path) -> None:
    """Typer answers 1 for ... a closed pipe: map both."""
    for words in (["manifest", "show", str(world.manifest)], ["--help"], ["manifest", "schema"]):
        reading, writing = os.pipe()
        os.close(reading)
        done = subprocess.run(
            [sys.executable, "-m", "bundlekeeper", *words], stdout=writing, stderr=subprocess.PIPE, check=False
        )
        os.close(writing)
        assert done.returncode == errors.EXIT_UNFINISHED
        assert done.stderr == b""


def _is_filling_a_file_in(folder: Path, process: subprocess.Popen[str]) -> bool:
    """Whether the process has a file open there that is not empty and has no name yet, or a temporary one."""
    assert process.poll() is None, process.communicate()
    for link in Path(f"/proc/{process.pid}/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):  # closed meanwhile
            name = os.readlink(link)
            if name.startswith(str(folder)) and ("(deleted)" in name or ".part-" in name) and link.stat().st_size:
                return True
    return False


@pytest.mark.fault(86)
@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_stops_with_its_status_and_leaves_nothing_half_done(
    world: World, tmp_path: Path, number: signal.Signals, status: int
) -> None:
    """Ctrl-C and SIGTERM while a large file is copied in: 130 or 143, no temporary file left."""
    big = world.downloads / world.names()[0]
    os.truncate(big, 3_000_000_000)  # sparse: takes a second or more to read and hash
    store = tmp_path / "store"
    world.manifest.write_text(world.manifest.read_text().replace("size = 1_048_576", "size = 3_000_000_000", 1))
    process = subprocess.Popen(
        [sys.executable, "-m", "bundlekeeper", "store", "add", world.manifest, "--from", world.downloads, "--quiet"],
        env={**os.environ, "BUNDLEKEEPER_STORE": str(store)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    wait_until(lambda: _is_filling_a_file_in(store / ".keeper", process), "a file that is being copied in")
    process.send_signal(number)
    _, err = process.communicate()
    assert process.returncode == status, err
    assert "Traceback" not in err
    assert not [p for p in store.rglob("*") if ".part-" in p.name]


def test_exit_statuses_of_the_error_classes() -> None:
    """A test lists all of them."""
    classes = {errors.KeeperError}
    for _ in range(5):
        classes |= {sub for known in list(classes) for sub in known.__subclasses__()}
    assert {cls.exit_code for cls in classes} <= {code for code, _ in EXIT_STATUSES}
    assert errors.worst_exit([1, 4, 0]) == 4
    assert errors.worst_exit([1, 4, 2]) == 2
    assert errors.worst_exit([2, 3]) == 3
    assert errors.worst_exit([3, 143, 130]) == 130
    assert errors.worst_exit([70, 130]) == 70
    assert errors.worst_exit([]) == 0


def test_no_traceback_without_debug_and_one_with_it(keeper: Keeper, tmp_path: Path) -> None:
    """ "no traceback without `--debug`" (issue 2, point 7)"""
    assert "Traceback" not in keeper("store", "list").err
    done = subprocess.run(
        [sys.executable, "-m", "bundlekeeper", "store", "list", "--debug", "--store", str(tmp_path / "no")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "Traceback" in done.stderr


def test_tour_runs_as_expected_and_twice(keeper: Keeper, tmp_path: Path) -> None:
    """The first command of the README: every step has the exit status it is there to show."""
    first, second = keeper("tour", "--json"), keeper("tour", tmp_path / "other")
    assert first.status == second.status == 0, second.out + second.err
    assert all(step["status"] == step["expected"] for step in first.json["steps"])
    assert (tmp_path / "bundlekeeper-tour" / "marram.toml").is_file()
    assert "as expected" in second.out
    assert keeper("tour", tmp_path / "other").status == 2


def test_the_tour_chooses_a_new_folder_when_it_is_run_again(keeper: Keeper, tmp_path: Path) -> None:
    """The README's first line, pasted twice: the folder of the first tour is left alone."""
    assert keeper("tour").status == 0
    first = (tmp_path / "bundlekeeper-tour" / "marram.toml").stat()
    again = keeper("tour")
    assert again.status == 0, again.err
    assert "Everything is in bundlekeeper-tour-2;" in again.out
    assert (tmp_path / "bundlekeeper-tour" / "marram.toml").stat() == first


def test_the_tours_folders_are_not_the_checkouts() -> None:
    """Run where the README says, a tour must not show up as a change of the project."""
    root = Path(__file__).parents[2]
    if not (root / ".git").exists():
        pytest.skip("not a git checkout")
    for name in ("bundlekeeper-tour", "bundlekeeper-tour-2"):
        words = ["git", "check-ignore", "-q", f"{name}/marram.toml"]
        assert subprocess.run(words, cwd=root, check=False).returncode == 0
