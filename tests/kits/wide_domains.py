"""Domains of 40 servers with 50 components each, as the text of an inventory: what a page has to stay quick with."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

SERVERS, DISKS = 40, 44
_IN_SERVER = (
    "bios",
    "management-controller",
    "network-adapter",
    "network-adapter",
    "storage-controller",
    "board-logic",
)
_HALVES = ("leading", "following")


def wide_domains(number: int, servers: int = SERVERS, disks: int = DISKS) -> str:
    """The inventory (JSON) of so many domains, `wide-1` and on, of five chassis each; versions are mixed."""
    components = [component for domain in range(1, number + 1) for component in _domain(domain, servers, disks)]
    return json.dumps({"inventory": 1, "read_at": "2026-11-20", "zone": "UTC", "component": components})


def _domain(number: int, servers: int, disks: int) -> Iterator[dict[str, Any]]:
    at = {"site": f"site-{number % 3 + 1}", "domain": f"wide-{number}"}
    for n, half in enumerate(_HALVES, 1):
        about = {**at, "half": half, "healthy": True}
        serial = f"W{number}-SW{n}"
        yield {**about, "kind": "fabric-switch", "model": "Reed-40", "serial": serial, "slot": f"fabric-{'ab'[n - 1]}",
               "pair": "fabric", "active": "6.0.1", "boot_files": ["6.0.1"]}  # fmt: skip
        for chassis in range(1, 6):
            yield {**about, "kind": "io-module", "model": "Rush-4", "serial": f"W{number}-IO{chassis}{n}",
                   "chassis": str(chassis), "slot": f"io-{n}", "pair": f"io-{chassis}", "active": "6.0.1"}  # fmt: skip
    for server in range(servers):
        parent = f"W{number}-B{server + 1:02}"
        place = {**at, "chassis": str(server // 8 + 1), "parent": parent, "name": f"host-{number}-{server + 1}"}
        slot = str(server % 8 + 1)
        for position, kind in enumerate((*_IN_SERVER, *["disk"] * disks), 1):
            version = ("6.1.0", "6.0.1", "5.4.10")[(server + position) % 3]
            model = "Tern-2" if kind in ("bios", "management-controller") else f"Part-{kind}"
            yield {**place, "kind": kind, "model": model, "active": version, "slot": f"{slot}/{position}"}
