"""Worlds for the tests of planning: the Marram manifest, small ones written on the spot, and domains to plan for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from bundlekeeper.model.inventory import Component, Inventory, Partition, Policy
from bundlekeeper.model.manifest import Manifest
from bundlekeeper.model.reading import read

ROOT = Path(__file__).parent.parent
TAKEN = date(2026, 11, 20)
TODAY = date(2026, 11, 25)


@cache
def marram() -> Manifest:
    """The example manifest of the Marram platform."""
    path = ROOT / "manifests" / "marram-14.toml"
    return read(path.read_bytes(), name=path.name, today=TODAY).manifest


def image(kind: str, models: str | Sequence[str], version: str, **more: Any) -> dict[str, Any]:
    """One image as a manifest has it; without other sizes it is 100 bytes, unpacks to 200 and works in 10."""
    names = (models,) if isinstance(models, str) else tuple(models)
    return {"kind": kind, "models": names, "version": version, "size": 100, "unpacked": 200, "working": 10, **more}


def bundle(family: str, version: str, *images: dict[str, Any], **more: Any) -> dict[str, Any]:
    """One bundle as a manifest has it; its digest is made up from its family, version and place."""
    number = abs(sum(ord(c) * 31**i for i, c in enumerate(family + version + str(more.get("build", ""))))) % 16**64
    row: dict[str, Any] = {
        "family": family,
        "version": version,
        "file": f"marram-{family}-{version}.fwb",
        "size": 1000,
        "sha256": f"{number:064x}",
        "digest_from": "publisher: download page",
        "images": images,
    }
    if family == "rack":
        row["build"] = "managed"
    return {**row, **more}


def manifest(*bundles: dict[str, Any], **more: Any) -> Manifest:
    """A manifest of these bundles, without lint."""
    head = {
        "manifest": 1,
        "platform": "marram",
        "sequence": 1,
        "issued": date(2026, 8, 14),
        "expires": date(2027, 8, 14),
        "bundle": bundles,
    }
    return Manifest.model_validate({**head, **more})


def inventory(
    components: Sequence[Component], partitions: Sequence[Partition] = (), policies: Sequence[Policy] = ()
) -> Inventory:
    """An inventory taken on TAKEN in UTC."""
    return Inventory(TAKEN, "UTC", tuple(components), tuple(partitions), tuple(policies))


def blade(slot: str, version: str, *, domain: str = "holm-a", model: str = "MB-2", **more: Any) -> list[Component]:
    """One blade server: BIOS, management controller and adapter, all at one version, with policy `gold`."""
    server = f"SRV-{domain}-1-{slot}"
    base = Component(
        "bios",
        "holm",
        domain,
        "1",
        slot,
        server,
        model,
        pending="",
        spare="",
        active=version,
        policy="gold",
        cluster="c1",
        pair="",
        half=None,
    )
    base = replace(base, **more)
    kinds = ("bios", "management-controller", "network-adapter")
    return [replace(base, kind=kind, serial=f"{server}-{kind}") for kind in kinds]
