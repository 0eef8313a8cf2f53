"""Worlds for the tests of planning: the Marram manifest, small ones written on the spot, and domains to plan for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import Any

from bundlekeeper.model.inventory.types import Component, Inventory, Partition, Policy
from bundlekeeper.model.lint.read_manifest import read
from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.planning.fleet.stock import Holdings, SignatureState, StoredFile

ROOT = Path(__file__).parents[2]
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
    number = abs(sum(ord(c) * 31**i for i, c in enumerate(family + version + str(more.get("variant", ""))))) % 16**64
    row: dict[str, Any] = {
        "family": family,
        "version": version,
        "file": f"marram-{family}-{version}.bin",
        "size": 1000,
        "sha256": f"{number:064x}",
        "digest_from": "publisher: download page",
        "images": images,
    }
    if family == "rack":
        row["variant"] = "managed-servers"
    return {**row, **more}


def manifest(*bundles: dict[str, Any], **more: Any) -> Manifest:
    """A manifest of these bundles, without lint."""
    head = {
        "manifest": 1,
        "platform": "marram",
        "sequence": 1,
        "issued": date(2026, 8, 14),
        "variants": ("managed-servers", "single-servers"),
        "expires": date(2027, 8, 14),
        "bundle": bundles,
    }
    return Manifest.model_validate({**head, **more})


def inventory(
    components: Sequence[Component], partitions: Sequence[Partition] = (), policies: Sequence[Policy] = ()
) -> Inventory:
    """An inventory taken on TAKEN in UTC."""
    return Inventory(TAKEN, "UTC", tuple(components), tuple(partitions), tuple(policies))


def blade(slot: str, version: str, *, domain: str = "holm-a", model: str = "Tern-2", **more: Any) -> list[Component]:
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


NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
PROVEN = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)

_IMAGES = {"5.4.2": "2025-1", "5.4.10": "2025-2", "6.0.1": "2026-1", "6.1.0": "2026-2"}  # model lists


def pair(kind: str, name: str, version: str, *, domain: str = "holm-a", **more: Any) -> list[Component]:
    """Both halves of a healthy pair at one version; boot-file components hold the files of the last three versions."""
    models = {
        "fabric-switch": "Reed-40",
        "domain-manager": "Reed-40",
        "io-module": "Rush-4",
        "chassis-controller": "Dune-8",
    }
    stored = tuple(v for v in _IMAGES if _IMAGES[v] <= _IMAGES.get(version, ""))
    return [
        replace(
            Component(
                kind,
                "holm",
                domain,
                model=models[kind],
                serial=f"{domain}-{kind}-{name}-{half[0]}".upper(),
                active=version,
                pending="",
                spare="",
                boot_files=stored if kind == "fabric-switch" else None,
                pair=name,
                half=half,
                healthy=True,
                variant="managed-servers" if kind == "domain-manager" else None,
            ),
            **more,
        )
        for half in ("leading", "following")
    ]


def whole_domain(version: str = "6.0.1", *, domain: str = "holm-a", blades: int = 2, racks: int = 1) -> Inventory:
    """A domain of the Marram platform at one version, of which every fact is known."""
    chassis = {"domain": domain, "chassis": "1"}
    components = [
        *pair("fabric-switch", "fabric", version, domain=domain, chassis=""),
        *pair("domain-manager", "manager", version, domain=domain, chassis=""),
        *pair("io-module", "io-1", version, **chassis),
        *pair("chassis-controller", "cc-1", version, **chassis),
        Component("model-list", "holm", domain, chassis="", model="Reed-40", serial=f"{domain}-MT".upper(), pair=""),
    ]
    components[-1] = replace(components[-1], active=_IMAGES[version], pending="", spare="")
    rooms = [
        Partition(p.key, "images", 5_000_000, 2_000_000)
        for p in components
        if p.kind in ("fabric-switch", "domain-manager", "model-list")
    ]
    for slot in range(1, blades + 1):
        components += blade(str(slot), version, domain=domain)
    for slot in range(1, racks + 1):
        rows = blade(f"U{slot}", version, domain=domain, model="Gull-1", chassis="")
        components += [p for p in rows if p.kind != "network-adapter"]
    gold = Policy("gold", {"blade": "6.1.0", "rack": "6.1.0"}, "on-start-update-request", (domain,))
    return inventory(components, rooms, [gold])


def stored_all(manifest_: Manifest, **more: Any) -> Holdings:
    """A store that holds every bundle, verified five days ago."""
    rows = (StoredFile(b.sha256, b.family, b.version, b.variant or "", True, PROVEN) for b in manifest_.bundle)
    return Holdings((replace(row, signature=SignatureState.GOOD) for row in rows), **more)
