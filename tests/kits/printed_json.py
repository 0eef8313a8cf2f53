"""What the commands print under --json: the whole tour and some more, in this process, as the paths of their fields.

A path is the names from the outside in; "[]" is each of an array's values.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
import sys
from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.answers import tour as tour_screen
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.help import GROUPS
from bundlekeeper.cli.screen.run import dispatch
from bundlekeeper.demo import tour
from bundlekeeper.errors import KeeperError
from tests.conftest import MARRAM
from tests.kits.redfish_server import PASSWORD, USER, World, documents, serving
from tests.kits.signing_world import chain, pem
from tests.kits.upload_world import UploadDesk

FieldPath = tuple[str, ...]
#: What a path was seen to hold: "value", "null", "empty" for an array or object of nothing, else "more".
FieldPaths = dict[FieldPath, set[str]]


def command_of(schema: str) -> str:
    """The command whose answers have this schema."""
    name = schema.removeprefix("bundlekeeper.").partition("/")[0]
    group, _, rest = name.partition("-")
    return f"{group} {rest}" if group in GROUPS else name


class PrintedJson:
    """Every field that was printed, by command."""

    def __init__(self) -> None:
        self.fields: defaultdict[str, FieldPaths] = defaultdict(dict)
        self.whole: set[str] = set()  # commands that were seen to answer

    def run(self, *words: str, stdin: str = "", status: int | None = None) -> Any:
        """Run a command with --json, note its fields, and return what it printed; `status` is the one that is due."""
        before = sys.stdin
        try:
            sys.stdin = io.TextIOWrapper(io.BytesIO(stdin.encode()))
            with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()):
                try:
                    ended = dispatch([*words, "--json"])
                except KeeperError as error:
                    output.error_envelope(error, "-".join(words[: 2 if words[0] in GROUPS else 1]))
                    ended = error.exit_code
        finally:
            sys.stdin = before
        found = json.loads(out.getvalue())
        assert "error" not in found if status is None else ended == status, (words, found)
        self.note(found)
        return found

    def note(self, document: dict[str, Any]) -> None:
        """Note the fields of what a command printed."""
        command = command_of(document["schema"])
        if "error" not in document:
            self.whole.add(command)
        for path, sort in _paths(document, ()):
            self.fields[command].setdefault(path, set()).add(sort)


def _paths(value: object, path: FieldPath) -> Iterator[tuple[FieldPath, str]]:
    if isinstance(value, (dict, list)):
        yield path, "more" if value else "empty"
        inner = value.items() if isinstance(value, dict) else (("[]", row) for row in value)
        for name, row in inner:
            yield from _paths(row, (*path, name))
    else:
        yield path, "null" if value is None else "value"


def printed(folder: Path) -> PrintedJson:
    """Run everything in a new folder."""
    seen = PrintedJson()

    def step(_: int, of: tour.TourStep) -> int:
        seen.run(*of.command, status=of.expected)
        return of.expected

    steps = tour.tour(tour.fresh(folder), step)
    with contextlib.redirect_stdout(io.StringIO()) as out:
        tour_screen.end(folder, steps, form=OutputForm.JSON)
    seen.note(json.loads(out.getvalue()))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("BUNDLEKEEPER_STORE", "store")
        _manifests_and_store(seen)
        _parts_and_plans(seen)
        _media_and_ledger(seen)
        _keys(seen)
        _attention(seen)
        _handbook(seen)
        patch.setenv("BUNDLEKEEPER_PASSWORD", PASSWORD)
        _service(seen)
        _uploads(seen, folder)
    return seen


def _manifests_and_store(seen: PrintedJson) -> None:
    older = re.sub(r"(?m)^sequence = \d+", "sequence = 1", Path("marram.toml").read_text("utf-8"))
    Path("old.toml").write_text(older, encoding="utf-8")
    seen.run("manifest", "draft", "downloads", "--platform", "marram")
    changed = re.sub(r'(?m)^sha256 *= "[0-9a-f]{64}"', f'sha256 = "{"0" * 64}"', older, count=1)
    Path("changed.toml").write_text(changed, encoding="utf-8")
    seen.run("manifest", "draft", "downloads", "--into", "changed.toml")
    seen.run("manifest", "sign", "old.toml", "--key", "keys/holm")
    seen.run("manifest", "show", "old.toml")
    withdrawn = older.replace('lifecycle = "superseded"', 'lifecycle = "withdrawn"\nreason = "an exercise"')
    Path("withdrawn.toml").write_text(withdrawn, encoding="utf-8")
    seen.run("manifest", "diff", "old.toml", "withdrawn.toml")
    seen.run("store", "add", "old.toml", "--from", "downloads", "--allow-rollback", "an exercise")
    seen.run("store", "list")
    seen.run("store", "list", "--family", "nothing", status=2)


def _parts_and_plans(seen: PrintedJson) -> None:
    seen.run("inventory", "load", str(MARRAM))
    seen.run("inventory", "list")
    seen.run("gaps", "--all", "--to", "6.1")
    seen.run("route", "holm-b", "--to", "6.1", "--out", "route.json")
    seen.run("plan", "check", "route.json")
    seen.run("plan", "keep", "route.json", "--name", "night", "--change", "118")
    seen.run("plan", "show", "night")
    seen.run("plan", "record", "night", "--window", "1", "--template", "window-1.csv")
    sheet = Path("window-1.csv").read_text("utf-8").replace("HOLMB-IO1,6.0.1,", "HOLMB-IO1,6.0.1,5.4.10")
    Path("window-1.csv").write_text(sheet, encoding="utf-8")
    words = ("--sheet", "window-1.csv", "--except", "HOLMB-IO2=failed:dead", "--anyway", "an exercise")
    seen.run("plan", "record", "night", "--window", "1", "--yes", *words)
    seen.run("plan", "progress", "night")
    seen.run("plan", "list")
    seen.run("plan", "rehearse", "night")
    seen.run("plan", "close", "night", "--reason", "an exercise")
    seen.run("route", "holm-b", "--to", "6.1", "--continues", "night")
    windows = (f'[[window]]\nsite = "holm"\nbegins = 2099-12-{day}T01:00:00Z\nminutes = 300\n' for day in range(10, 18))
    Path("windows.toml").write_text("windows = 1\n" + "".join(windows), encoding="utf-8")
    seen.run("route", "holm-b", "--to", "6.1", "--windows", "windows.toml", "--parallel", "2", "--out", "dated.json")
    seen.run("plan", "calendar", "dated.json", "--out", "dated.ics")
    seen.run("plan", "ticket", "dated.json", "--out", "dated-ticket.txt")
    seen.run("route", "--all", "--to", "6.1")
    seen.run("route", "holm-a", "--to", "5.4")
    seen.run("report", "--runbook", "holm-b", "--to", "6.1", "--out", "runbook.html")
    seen.run("report", "--runbook", "holm-a", "--to", "5.4", "--out", "none.html")
    seen.run("report", "--site", "holm", "--out", "site.html")
    wrong = seen.run("observe", "HOLMB-IO1", "--active", "6.0.1")["events"][0]["id"]
    seen.run("ledger", "undo", wrong, "--reason", "read off the wrong part")
    seen.run("activate", "HOLMB-IO1", "--version", "5.4.2")
    seen.run("observe", "HOLMB-IO2", "--pending", "6.1.0")
    seen.run("where", "holm-b")
    seen.run("where", "--bundle", "infrastructure/6.0.1")
    seen.run("where", "HOLMB-IO1", "--history")
    seen.run("where", "--count", "domain,kind")


def _media_and_ledger(seen: PrintedJson) -> None:
    Path("empty").mkdir()
    seen.run("media", "write", "packing.json", "--to", "empty", "--iso", "set.iso", "--dry-run")
    seen.run("media", "write", "packing.json", "--to", "outbound", "--iso", "set.iso", "--key", "keys/holm")
    Path("part").mkdir()
    Path("outbound/marram-set0001-1of2").rename("part/marram-set0001-1of2")
    seen.run("media", "receive", "part", "--store", "third", status=4)
    seen.run("trust", "add", "holm", "keys/holm.pub", "--form", "sshsig", "--for", "indexes", "--store", "third")
    seen.run("media", "receive", "part", "--store", "third")
    lines = seen.run("receipt", "write", "--printed", "--site", "skerry", "--store", "skerry")["lines"]
    seen.run("receipt", "read", "-", stdin="\n".join(lines))
    seen.run("media", "list")
    seen.run("media", "list", "--store", "skerry")
    head = seen.run("ledger", "verify")["chain"]["head"]
    seen.run("ledger", "verify", "--head", head)
    dispatch(["ledger", "export", "--output", "events.jsonl"])
    seen.run("ledger", "merge", "events.jsonl")
    seen.run("ledger", "rebuild")
    seen.run("ledger", "salvage", "salvaged.sqlite")


def _keys(seen: PrintedJson) -> None:
    made = chain()
    for name, thing in {"leaf": made.leaf, "middle": made.middle, "root": made.root}.items():
        Path(f"{name}.pem").write_bytes(pem(thing))
    Path("newer.crl").write_bytes(pem(made.root_crl))
    of_chain = ("--form", "cms", "--for", "bundles", "--root", "root.pem", "--intermediate", "middle.pem")
    seen.run("trust", "add", "publisher", "leaf.pem", *of_chain)
    seen.run("trust", "crl", "publisher", "newer.crl")
    seen.run("trust", "list")
    seen.run("trust", "remove", "skerry-crew", "--reason", "the key was lost")


def _attention(seen: PrintedJson) -> None:
    seen.run("status", "--config")
    until = (datetime.now(UTC).date() + timedelta(days=30)).isoformat()
    seen.run("accept", "not-activated", "skerry/*", "--reason", "the window is on Friday", "--until", until)
    seen.run("store", "remove", "blade/5.4.10", "--reason", "old", "--confirm", "blade/5.4.10", "--anyway", "a test")
    spoiled = next(Path("store/rack/6.1.0").glob("*.bin"))
    spoiled.unlink()
    spoiled.write_bytes(b"spoiled")
    seen.run("verify")
    seen.run("store", "list")
    seen.run("status")


def _handbook(seen: PrintedJson) -> None:
    seen.run("help")
    seen.run("help", "exit")
    seen.run("help", "store", "add")
    seen.run("help", "stoer", status=2)
    Path("man").mkdir()
    seen.run("help", "--man", "man")
    for code in ("altered", "wrong-type", "unsigned"):
        seen.run("explain", code)


def _service(seen: PrintedJson) -> None:
    with serving(World(documents("rack")), None) as service:
        where = ("--site", "holm", "--domain", "holm-a", "--user", USER, "--http-on-loopback")
        address = f"http://127.0.0.1:{service.server_address[1]}"
        seen.run("inventory", "read", address, "http://127.0.0.1:9", *where)


def _uploads(seen: PrintedJson, folder: Path) -> None:
    (folder / "uploads").mkdir()
    desk = UploadDesk.made(folder / "uploads")
    with desk.stack:
        domain, first, second = desk.domain()
        server, store = desk.service(first, second), ("--store", str(folder / "uploads" / "store"))
        seen.run("route", domain, "--to", "6.1", "--out", "upload.json", *store)
        words = desk.words(first, server)
        for more in (("--dry-run",), ()):
            seen.run(*words, *more, *store)
            seen.run("plan", "record", "upload.json", "--window", "1", "--upload", *words[5:], *more, *store)
