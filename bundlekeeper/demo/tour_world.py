"""The invented platform of the tour: small files, the same on every machine, and the publisher's list of them.

Rules: nothing here looks at a clock or a random source; every byte follows from the file's name. The world is the
Marram platform of the demo; no real maker, product or version is named here.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

#: (family, version, file size in bytes). A few megabytes in all, so that a tour takes seconds.
BUNDLES = (
    ("infrastructure", "5.4.10", 1_310_720),
    ("blade", "5.4.10", 1_048_576),
    ("rack", "5.4.10", 917_504),
    ("infrastructure", "6.0.1", 1_572_864),
    ("blade", "6.0.1", 1_179_648),
    ("rack", "6.0.1", 983_040),
    ("infrastructure", "6.1.0", 1_703_936),
    ("blade", "6.1.0", 1_245_184),
    ("rack", "6.1.0", 1_048_583),
)


def file_name(family: str, version: str) -> str:
    """The name under which the invented publisher publishes a bundle."""
    return f"marram-{family}-{version}.bin"


def content(name: str, size_bytes: int) -> bytes:
    """The file's bytes: SHAKE-256 (FIPS 202) of its name, so that they do not compress and repeat nowhere."""
    return hashlib.shake_256(name.encode()).digest(size_bytes)


def make_downloads(folder: Path) -> None:
    """Write the bundles and the publisher's `SHA256SUMS` into `folder`. Raises OSError."""
    folder.mkdir(parents=True)
    lines = []
    for family, version, size in BUNDLES:
        name = file_name(family, version)
        data = content(name, size)
        (folder / name).write_bytes(data)
        lines.append(f"{hashlib.sha256(data).hexdigest()}  {name}\n")
    (folder.parent / "publisher").mkdir()
    (folder.parent / "publisher" / "SHA256SUMS").write_text("".join(lines), encoding="ascii")


def reviewed_manifest() -> str:
    """What the engineer makes of the draft: releases, jumps, what must run together, each with its source."""
    bundles = []
    for family, version, size in BUNDLES:
        name = file_name(family, version)
        digest = hashlib.sha256(content(name, size)).hexdigest()
        variant = 'variant = "managed-servers"       # single-servers is for servers that run alone\n'
        bundles.append(
            f'[[bundle]]\nfamily = "{family}"\nversion = "{version}"\nfile = "{name}"\nsize = {size:_}\n'
            f'sha256 = "{digest}"\ndigest_from = "own copy"          # until `manifest confirm` has compared it\n'
            f'released = {RELEASED[version]}\nlifecycle = "{"current" if version == "6.1.0" else "superseded"}"\n'
            f"{variant if family == 'rack' else ''}images = [\n{_images(family, version)}]\n"
        )
    return HEAD + "\n".join(bundles) + "\n" + RULES


RELEASED = {"5.4.10": "2025-11-03", "6.0.1": "2026-03-02", "6.1.0": "2026-08-03"}

_MODELS = {
    "infrastructure": (
        ("fabric-switch", "Reed-40"),
        ("domain-manager", "Reed-40"),
        ("io-module", "Rush-4"),
        ("chassis-controller", "Dune-8"),
        ("model-list", "Reed-40"),
    ),
    "blade": (
        ("bios", "Tern-2"),
        ("bios", "Tern-4"),
        ("management-controller", "Tern-2"),
        ("management-controller", "Tern-4"),
    ),
    "rack": (
        ("bios", "Gull-1"),
        ("bios", "Gull-2"),
        ("management-controller", "Gull-1"),
        ("management-controller", "Gull-2"),
    ),
}


#: A model list has versions of its own, as in the example manifest.
_TABLES = {"5.4.10": "2025-2", "6.0.1": "2026-1", "6.1.0": "2026-2"}


def _images(family: str, version: str) -> str:
    return "".join(
        f'  {{ kind = "{kind}", models = ["{model}"], '
        f'version = "{_TABLES[version] if kind == "model-list" else version}", size = 180_000, unpacked = 400_000, '
        f"working = 60_000, minutes = 10 }},\n"
        for kind, model in _MODELS[family]
    )


HEAD = """# The Marram platform at the ferry company: invented, for the tour.
manifest = 1
platform = "marram"
sequence = 14
issued = 2026-08-14
variants = ["managed-servers", "single-servers"]

[versions]
order = "natural"
known = ["5.4.2"]                 # runs in the field, is no bundle here

"""

RULES = """[kind.model-list]                # its versions are names of their own
order = "natural"

[[release]]
name = "5.4"
infrastructure = "5.4.10"
blade = "5.4.10"
rack = "5.4.10"

[[release]]
name = "6.0"
infrastructure = "6.0.1"
blade = ["6.0.1", "5.4.10"]
rack = ["6.0.1", "5.4.10"]

[[release]]
name = "6.1"
infrastructure = "6.1.0"
blade = ["6.1.0", "6.0.1"]
rack = ["6.1.0", "6.0.1"]

[[jump]]
what = { family = "infrastructure" }
to = ">=6.1"
from = ">=6.0"                    # 6.0 is a stop on the route from 5.4
source = "release notes 6.1, table 2"

[[jump]]
what = { family = "infrastructure" }
to = ">=6.0,<6.1"
from = ">=5.4"
source = "release notes 6.0, table 2"

[[jump]]
what = { family = "blade" }
to = ">=6.0"
from = ">=5.4"
source = "release notes 6.0, table 3"

[[jump]]
what = { family = "rack" }
to = ">=6.0"
from = ">=5.4"
source = "release notes 6.0, table 3"

[[compatible]]
scope = "domain"
when = { family = "infrastructure", version = ">=6.1" }
need = [{ family = "blade", version = ">=6.0" }, { family = "rack", version = ">=6.0" }]
source = "release notes 6.1, table 5"
"""
