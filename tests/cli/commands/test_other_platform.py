"""A platform that is built otherwise than the demo's, on its whole way: what the tool knows of it is in its manifest.

Fescue's manager is on a host of its own, nothing comes in pairs, there are no variants, no model list and no policies;
the same kinds of components are written by other methods and in another order, and versions are Semantic Versioning's.
"""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

from bundlekeeper.demo.tour_sites import make_key
from tests.conftest import Keeper
from tests.kits.sure import some

IMAGES = {
    "infrastructure": (("fabric-switch", "FS-1"), ("domain-manager", "FM-1"), ("io-module", "FX-1")),
    "blade": (("bios", "FB-1"), ("management-controller", "FB-1")),
    "rack": (("bios", "FR-1"), ("management-controller", "FR-1")),
}
VERSIONS = ("1.9.0", "1.10.0", "2.0.0")
RULES = """
[kind.model-list]
none = true

[kind.fabric-switch]
method = "two-bank"
back = "switch"
pair = false
turn = 1

[kind.domain-manager]
turn = 2

[kind.io-module]
method = "overwrite"
back = "reinstall"
pair = false
turn = 0

[kind.bios]
method = "overwrite"
applied_by = "operator"
back = "reinstall"

[kind.management-controller]
applied_by = "operator"

[[jump]]
what = { family = "infrastructure" }
to = ">=2.0.0"
from = ">=1.10.0"
source = "release notes 2.0.0, page 3"
"""
INVENTORY = """inventory = 1
read_at = 2026-08-10
zone = "UTC"
"""


def name(family: str, version: str) -> str:
    """The name under which a bundle is published."""
    return f"fescue-{family}-{version}.bin"


def downloads(folder: Path) -> None:
    """The published files, and the list of their digests."""
    (folder / "downloads").mkdir()
    lines = []
    for family in IMAGES:
        for version in VERSIONS:
            data = hashlib.shake_256(name(family, version).encode()).digest(50_000)
            (folder / "downloads" / name(family, version)).write_bytes(data)
            lines.append(f"{hashlib.sha256(data).hexdigest()}  {name(family, version)}\n")
    (folder / "SHA256SUMS").write_text("".join(lines))


def edited(draft: str) -> str:
    """What an engineer makes of a draft."""
    for family, parts in IMAGES.items():
        for version in VERSIONS:
            line = f'file = "{name(family, version)}"\n'
            images = "".join(
                f'  {{ kind = "{kind}", models = ["{model}"], version = "{version}", size = 900, unpacked = 2000, '
                "working = 10, minutes = 5 },\n"
                for kind, model in parts
            )
            assert draft.count(line) == 1
            draft = draft.replace(line, f"{line}images = [\n{images}]\n")
    releases = "".join(
        f'\n[[release]]\nname = "{v}"\ninfrastructure = "{v}"\nblade = "{v}"\nrack = "{v}"\n' for v in VERSIONS
    )
    return re.sub(r'order = "natural"', 'order = "semver"', draft) + releases + RULES


def component(**values: str) -> str:
    """One component of the domain at 1.10.0, but for what is said otherwise."""
    rows = {"site": "holm", "domain": "fescue-a", "active": "1.10.0", **values}
    return "\n[[component]]\n" + "".join(f'{key} = "{value}"\n' for key, value in rows.items())


def inventory() -> str:
    """What is in the domain: a manager, two switches, a chassis with two I/O modules, two blades and two racks."""
    text = INVENTORY + component(kind="domain-manager", model="FM-1", serial="FM", active="1.9.0")
    for number in ("1", "2"):
        text += component(kind="fabric-switch", model="FS-1", serial=f"FS{number}", active="1.9.0", spare="-")
        slot = f"io-{number}"
        text += component(kind="io-module", model="FX-1", serial=f"FX{number}", chassis="1", slot=slot, active="1.9.0")
        for kind in ("bios", "management-controller"):
            more = {"kind": kind, "active": "1.9.0", "cluster": "quay"}
            text += component(model="FB-1", parent=f"FB{number}", chassis="1", slot=number, **more)
            text += component(model="FR-1", parent=f"FR{number}", chassis="-", slot=f"rack-{number}", **more)
    rooms = (("FM", 90_000), ("FX1", 90_000), ("FX2", 90_000))
    return text + "".join(
        f'\n[[partition]]\ncomponent = "{key}"\nname = "images"\nsize_bytes = 100_000\nfree_bytes = {free}\n'
        for key, free in rooms
    )


def test_a_platform_that_is_built_otherwise_goes_its_whole_way(keeper: Keeper, tmp_path: Path) -> None:
    downloads(tmp_path)
    words = ("manifest", "draft", "downloads", "--platform", "fescue", "--output", "fescue.toml", "--quiet")
    assert keeper(*words).status == 0
    manifest = tmp_path / "fescue.toml"
    text = manifest.read_text("utf-8").replace('lifecycle = ""', 'lifecycle = "current"')
    manifest.write_text(edited(text), encoding="utf-8")
    assert keeper("manifest", "lint", "fescue.toml").status == 0, keeper("manifest", "lint", "fescue.toml").out
    assert keeper("manifest", "confirm", "fescue.toml", "--against", "SHA256SUMS").status == 0
    assert keeper("store", "add", "fescue.toml", "--from", "downloads", "--quiet").status == 0
    (tmp_path / "fescue-a.toml").write_text(inventory(), encoding="utf-8")
    done = keeper("inventory", "load", "fescue-a.toml", "--reported-by", "kim")
    assert done.status == 0, done.err

    gaps = keeper("gaps", "fescue-a", "--to", "2.0.0", "--json")
    assert [f for f in gaps.json["findings"] if f["level"] == "error" and f["code"] != "jump-refused"] == []
    assert {"family-missing", "wrong-variant", "model-unlisted", "no-policy", "pair-unhealthy"}.isdisjoint(gaps.codes)
    lacking = [f for f in gaps.json["findings"] if f["code"] == "not-checked"]
    assert not any(re.search("pair|variant|policy|model.list", f["message"]) for f in some(lacking))

    assert keeper("route", "fescue-a", "--to", "2.0.0", "--out", "route.json").status < 2
    plan = json.loads((tmp_path / "route.json").read_text())
    steps = plan["route"]["steps"]
    found = [(step["what"], step["name"]) for step in steps]
    assert found == [("infrastructure", "1.10.0"), ("infrastructure", "2.0.0"), ("servers", "2.0.0")]
    kinds = [part["kind"] for part in steps[0]["changes"][0]["components"]]
    assert kinds == ["io-module", "fabric-switch", "domain-manager"]  # by the turns that the manifest gives

    done = keeper("report", "--runbook", "--plan", "route.json", "--out", "-")
    assert done.status < 2, done.err
    text = done.out
    for word in ("halves", "half of", "pair", "lead", "model list", "model-list", "polic", "boot-file", "pointer"):
        stated = text.replace("supported as pairs", "")  # drivers and firmware
        assert word not in stated, [line for line in stated.splitlines() if word in line]
    assert not re.search(r"\b(following|leading) (half|side)\b", text)
    assert "overwrite, by an operator" in text
    assert "two-bank, by an operator" in text
    assert "io-module, then fabric-switch, then domain-manager" in text

    packed = ("media", "pack", "--for", "fescue-a", "--to", "2.0.0", "--volume", "6MB:folder", "--out", "packing.json")
    assert keeper(*packed).status < 2
    (tmp_path / "outbound").mkdir()
    make_key(tmp_path / "keys/main")
    done = keeper("media", "write", "packing.json", "--to", "outbound", "--key", "keys/main", "--quiet")
    assert done.status == 0, done.err
    away = ("--store", "away")
    trusted = ("trust", "add", "main", "keys/main.pub", "--form", "sshsig", "--for", "indexes", *away)
    assert keeper(*trusted).status == 0
    assert keeper("media", "receive", "outbound", *away, "--quiet").status < 2
    assert keeper("inventory", "load", "fescue-a.toml", "--reported-by", "bo", *away).status == 0
    bundle = ("--bundle", "infrastructure/1.10.0")
    assert keeper("stage", "fescue-a", "--kind", "fabric-switch", *bundle, *away).status == 0
    assert keeper("activate", "fescue-a", "--kind", "fabric-switch", *bundle, *away).status == 0
    assert keeper("activate", "FX1", *bundle, *away).status == 0
    rows = keeper("where", "fescue-a", "--json", *away).json["components"]
    runs = {row["component"]: row["active"]["version"] for row in rows}
    assert [runs[key] for key in ("FS1", "FS2", "FX1", "FX2", "FM")] == ["1.10.0"] * 3 + ["1.9.0"] * 2
