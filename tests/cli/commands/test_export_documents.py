"""Exports for auditors and monitoring, workbooks, and the signature of each, held against other programs' readers."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as read_metrics
from prometheus_client.parser import text_string_to_metric_families as read_older_metrics

from bundlekeeper.cli.screen.exports.metrics import Gauge, Sample, text
from tests.conftest import Keeper, Ran, World
from tests.kits.signing_world import program, run
from tests.kits.ssh_keys import ssh_key

#: What a service may say that its version is.
HOSTILE = '=cmd|"x"\\<b>&'


def bill(done: Ran) -> dict[str, Any]:
    """The bill of materials of a finished command, valid under the published schema."""
    from cyclonedx.schema import SchemaVersion  # two seconds, which not every process of the tests need pay
    from cyclonedx.validation.json import JsonStrictValidator

    wrong = JsonStrictValidator(SchemaVersion.V1_6).validate_str(done.out)
    assert wrong is None, wrong
    found: dict[str, Any] = json.loads(done.out)
    return found


def properties(of: dict[str, Any]) -> list[tuple[str, str]]:
    """The properties of a component or of the metadata, our prefix taken off."""
    assert all(row["name"].startswith("bundlekeeper:") for row in of["properties"])
    return [(row["name"].removeprefix("bundlekeeper:"), row["value"]) for row in of["properties"]]


def head(keeper: Keeper) -> str:
    """The ledger's head now."""
    return str(keeper("ledger", "verify", "--json").json["chain"]["head"])


def test_a_bill_of_materials_is_valid_and_whole(office: Keeper, world: World) -> None:
    """Every bundle with its SHA-256, every version that runs, and every component that runs it exactly once."""
    assert office("observe", "HOLMA-IO1", "--active", HOSTILE).status == 1
    exported = office("export", "cyclonedx")
    found = bill(exported)
    firmware = found["components"]
    assert {row["type"] for row in firmware} == {"firmware"}
    references = [row["bom-ref"] for row in [found["metadata"]["component"], *firmware]]
    assert len(references) == len(set(references))
    bundles = [row for row in firmware if "hashes" in row]
    of_files = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in world.downloads.iterdir()}
    assert {row["name"]: row["hashes"][0]["content"] for row in bundles} == of_files
    running = {
        (occurrence["location"], f"{row['name']} {row['version']}")
        for row in firmware
        if row not in bundles
        for occurrence in row["evidence"]["occurrences"]
    }

    def place(component: dict[str, Any]) -> str:
        texts = (component[key] for key in ("site", "domain", "chassis", "slot"))
        return "/".join("?" if text is None else text or "-" for text in texts)

    components = office("where", "--json").json["components"]
    assert running == {
        (place(c), f"{c['model']} {c['kind']} {c['active']['version']}") for c in components if c["active"]
    }
    (io,) = (row for row in firmware if row["version"].startswith("=cmd"))
    assert "component HOLMA-IO1; observed" in io["evidence"]["occurrences"][0]["additionalContext"]
    assert exported.status == 0


def test_a_running_image_names_the_bundles_that_list_it(office: Keeper) -> None:
    """By kind, model and version; a reference leads to a component of the bill. Of a place: what runs there."""
    firmware = bill(office("export", "cyclonedx", "--domain", "holm-b"))["components"]
    by_reference = {row["bom-ref"]: row for row in firmware}
    io = next(row for row in firmware if ("kind", "io-module") in properties(row))
    (bundle,) = (by_reference[value] for name, value in properties(io) if name == "bundle")
    assert (bundle["group"], bundle["version"]) == ("infrastructure", io["version"])
    assert ("bundle-sha256", bundle["hashes"][0]["content"]) in properties(io)
    places = [place["location"] for row in firmware if "hashes" not in row for place in row["evidence"]["occurrences"]]
    assert places and {place.split("/")[1] for place in places} == {"holm-b"}
    assert office("export", "cyclonedx", "--domain", "holm-x").status == 2


def test_what_nobody_knows_is_counted_and_each_export_says_where_it_is_from(office: Keeper, tmp_path: Path) -> None:
    """A component without a running version is in no component of the bill; the head is the ledger's own."""
    assert office("observe", "HOLMA-IO1", "--no-answer").status in (0, 1)
    metadata = bill(office("export", "cyclonedx"))["metadata"]
    known = dict(properties(metadata))
    unknown = [c for c in office("where", "--json").json["components"] if not (c["active"] or {}).get("version")]
    assert known["running-version-not-known"] == str(len(unknown))
    assert (known["ledger-head"], known["store"]) == (head(office), str(tmp_path / "store"))
    assert metadata["component"]["name"] == "marram"
    row = next(csv.DictReader(io.StringIO(office("export", "csv", "store").out)))
    assert (row["ledger_head"], row["exported_from"]) == (known["ledger-head"], known["store"])
    assert row["exported_at"] >= metadata["timestamp"]
    assert office("ledger", "verify", "--head", row["ledger_head"]).status == 0


def figures(found: str) -> dict[str, dict[tuple[str, ...], float]]:
    """The samples by metric and label values, as two readers of the two formats agree on them."""
    families = [*read_metrics(found)]  # type: ignore[no-untyped-call]  # the library has no types here
    assert {family.type for family in families} == {"gauge"}
    samples = [(s.name, s.labels, s.value) for family in families for s in family.samples]
    assert samples == [(s.name, s.labels, s.value) for family in read_older_metrics(found) for s in family.samples]
    by_name: dict[str, dict[tuple[str, ...], float]] = {}
    for name, labels, value in samples:
        by_name.setdefault(name.removeprefix("bundlekeeper_"), {})[tuple(labels.values())] = value
    return by_name


def test_metrics_are_what_the_other_commands_say(office: Keeper, tmp_path: Path) -> None:
    """Counts of the store, of components and of findings; a file of metrics is replaced, any other is not."""
    assert office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0").status in (0, 1)
    (tmp_path / "store/blade/6.1.0/marram-blade-6.1.0.bin").unlink()
    file = tmp_path / "keeper.prom"
    assert office("export", "metrics", "-o", file).status == 1
    assert office("export", "metrics", "-o", file).status == 1
    assert [path.name for path in tmp_path.iterdir() if "keeper.prom" in path.name] == ["keeper.prom"]
    found = figures(file.read_text())
    stored = office("store", "list", "--json").json["bundles"]
    states = [(bundle["family"], bundle["state"]) for bundle in stored]
    assert {key: n for key, n in found["bundles"].items() if n} == {key: states.count(key) for key in states}
    assert found["bundles"]["blade", "missing"] == 1
    assert sum(found["findings"].values()) == len(office("status", "--json").json["findings"])
    assert found["findings"]["error", "missing"] == 1
    assert found["components_open"]["not-activated",] == 1
    assert found["export_info"].popitem()[0][-1] == head(office)
    assert found["ledger_entries"][()] == office("ledger", "verify", "--json").json["chain"]["events"]
    assert 0 < found["oldest_verification_age_seconds"][()] < 86_400
    other = tmp_path / "notes.txt"
    other.write_text("mine")
    assert (office("export", "metrics", "-o", other).status, other.read_text()) == (2, "mine")


def test_metrics_leave_out_what_is_not_known(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """Nothing is not zero: without a ledger nobody knows how many components are open; nor with a damaged one."""
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    without = figures(keeper("export", "metrics").out)
    assert not without.keys() & {"components_open", "ledger_entries", "ledger_last_entry_timestamp_seconds"}
    assert without["bundles"]["rack", "verified"] == 3
    ledger = tmp_path / "store/.keeper/ledger.sqlite"
    ledger.write_bytes(b"no ledger" * 1000)
    damaged = keeper("export", "metrics")
    found = figures(damaged.out)
    assert (damaged.status, "components_open" in found, ("error", "damaged") in found["findings"]) == (3, False, True)
    assert "the ledger's head is not known" in damaged.err


@pytest.mark.parametrize("value", ['a"b', "a\\b", "a\nb", "\\n", "\udcff", '{x="1"} 2\n# EOF'])
def test_labels_are_escaped(value: str) -> None:
    """What is in a label comes back from it, a byte that is no UTF-8 as U+FFFD."""
    written = text([Gauge("x_seconds", value.replace('"', ""), [Sample(1.5, (("a", value),))], "seconds")])
    written.encode()
    (family,) = read_metrics(written)  # type: ignore[no-untyped-call]  # as above
    (sample,) = family.samples
    assert (sample.labels, sample.value) == ({"a": value.replace("\udcff", "\ufffd")}, 1.5)


def test_a_workbook_has_only_text(office: Keeper, tmp_path: Path) -> None:
    """ "cells that begin with =, +, -, @ stay text": as they are, in no cell a formula, and they are loaded again."""
    odd = ["=cmd|x", "'+1", "-2", "@sum", "\uff1d1"]
    assert office("observe", "HOLMA-IO1", "--active", odd[0], "--spare", odd[1]).status == 1
    assert office("observe", "HOLMA-IO2", "--active", odd[2], "--spare", odd[3]).status == 1
    assert office("observe", "HOLMB-IO1", "--active", odd[4]).status == 1
    assert (office("export", "xlsx", "where").status, office("export", "xlsx", "where").out) == (2, "")
    file = tmp_path / "where.xlsx"
    assert office("export", "xlsx", "where", "-o", file).status == 0
    book = pytest.importorskip("openpyxl", reason="it is in the extra test").load_workbook(file)
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} <= {"s", "inlineStr"}
    assert set(odd) <= {cell.value for cell in cells}
    table = [["" if cell is None else cell for cell in row] for row in book["where"].values]
    with_quotes = list(csv.reader(io.StringIO(office("export", "csv", "where").out)))
    assert [row[: len(table[0])] for row in with_quotes] == [
        [f"'{cell}" if cell in odd else cell for cell in row] for row in table
    ]
    about = dict(book["export"].values)
    assert about["ledger_head"] == head(office)
    words = ("inventory", "load", file, "--read-at", "2026-11-25", "--zone", "UTC", "--store", tmp_path / "fresh")
    assert office(*words).status == 0
    active = office("where", "--store", tmp_path / "fresh", "--json").json["components"]
    assert {c["active"]["version"] for c in active if c["active"]} > {odd[0], odd[2], odd[4]}


def test_the_signature_is_good_for_ssh_keygen(office: Keeper, tmp_path: Path) -> None:
    """In the namespace of exports and no other; for these bytes and no others."""
    key = ssh_key(tmp_path)
    (tmp_path / "allowed").write_text(f"auditor {Path(f'{key}.pub').read_text()}")

    def verified(file: Path, namespace: str) -> bool:
        options = ["-f", str(tmp_path / "allowed"), "-I", "auditor", "-n", namespace, "-s", f"{file}.sig"]
        return run(program("ssh-keygen"), "-Y", "verify", *options, data=file.read_bytes()).returncode == 0

    for number, words in enumerate(("cyclonedx", "metrics", "csv where", "xlsx store")):
        file = tmp_path / f"exported-{number}"
        assert office("export", *words.split(), "-o", file, "--key", key).status == 0
        assert verified(file, "bundlekeeper-export")
    assert not verified(file, "bundlekeeper-receipt")
    file.write_bytes(file.read_bytes() + b" ")
    assert not verified(file, "bundlekeeper-export")


def test_a_signed_export_is_two_files_or_none(office: Keeper, tmp_path: Path) -> None:
    """Refused before anything is written: no file for the signature, an old signature, a key that others may read."""
    key, file = ssh_key(tmp_path), tmp_path / "firmware.json"
    streamed = office("export", "cyclonedx", "--key", key)
    assert (streamed.status, streamed.out) == (2, "")
    beside = tmp_path / "firmware.json.sig"
    beside.write_text("an old one")
    assert office("export", "cyclonedx", "-o", file, "--key", key).status == 2
    beside.unlink()
    key.chmod(0o644)
    assert office("export", "cyclonedx", "-o", file, "--key", key).status == 4
    assert not file.exists() and not beside.exists()
    key.chmod(0o600)
    for _ in range(2):  # metrics replace both of theirs
        assert office("export", "metrics", "-o", tmp_path / "m.prom", "--key", key).status == 0
