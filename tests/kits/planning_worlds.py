"""Generated fleets for the tests of planning: the Marram platform in disorder, the same for each seed everywhere."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date
from typing import Any

from bundlekeeper.model.inventory.types import Component, Inventory, Partition, Policy, SeparateWindows
from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.planning.fleet.stock import Holdings, SignatureState, StoredFile
from tests.kits.planning_kit import PROVEN, blade, bundle, image, inventory, manifest, pair, whole_domain

VERSIONS = ("5.4.2", "5.4.10", "6.0.1", "6.1.0")
TABLES = {"5.4.2": "t1", "5.4.10": "t2", "6.0.1": "t3", "6.1.0": "t4"}
ODD = ("5.4.3", "golden-image", "6.0.1-rc1", "6.1")  # no bundle; no place in the order; no bundle; equal to 6.1.0

_OWN = (
    ("fabric-switch", "Reed-40"),
    ("domain-manager", "Reed-40"),
    ("io-module", "Rush-4"),
    ("chassis-controller", "Dune-8"),
)
_BLADE = ("bios", "management-controller", "network-adapter")


def disorderly_manifest(rnd: random.Random) -> Manifest:
    """Four versions of each family, a patch, rules of every scope; what rules say is left to chance."""
    rows: list[dict[str, Any]] = []
    for version in VERSIONS:
        own = [image(kind, model, version, size=rnd.randint(50, 200)) for kind, model in _OWN]
        table = image("model-list", "Reed-40", TABLES[version])
        rows.append(bundle("infrastructure", version, *own, table, lifecycle=rnd.choice(["current", "superseded"])))
        same = rnd.random() < 0.2  # an image that did not change
        adapter = image("network-adapter", ("Tern-2", "Tern-4"), "5.4.2" if same else version)
        images = [image(kind, ("Tern-2", "Tern-4"), version) for kind in _BLADE[:2]]
        rows.append(bundle("blade", version, *images, adapter))
        models = ("Gull-1", "Gull-2") if rnd.random() < 0.8 else ("Gull-2",)
        rows.append(bundle("rack", version, *(image(kind, models, version) for kind in _BLADE[:2])))
    rows.append(
        bundle(
            "infrastructure", "6.1.0-p2", image("io-module", "Rush-4", "6.1.0-p2"), base="6.1.0", only=("io-module",)
        )
    )
    for row in rows:
        if rnd.random() < 0.1:
            row |= {"lifecycle": "withdrawn", "reason": "notice 7"}
        if rnd.random() < 0.1:
            row["digest_from"] = "own copy"
    target = rnd.choice(["6.1.0", "6.1.0-p2"])
    release = {"name": "6.1", "infrastructure": target, "blade": ("6.1.0", "6.0.1"), "rack": "6.1.0"}
    return manifest(
        *rows,
        release=(release, {"name": "6.0", "infrastructure": "6.0.1", "blade": "6.0.1", "rack": "6.0.1"}),
        versions={"known": ("5.4.3",)},
        expires=rnd.choice([date(2026, 11, 1), date(2027, 2, 14)]),
        jump=tuple(_jump(rnd) for _ in range(rnd.randint(1, 6))),
        compatible=tuple(_beside(rnd) for _ in range(rnd.randint(1, 5))),
        kind={
            "model-list": {"order": "listed", "list": ("t1", "t2", "t3", "t4")},
            "network-adapter": {"back": rnd.choice(["switch", "none", "reinstall"])},
        },
    )


def _what(rnd: random.Random) -> dict[str, Any]:
    return rnd.choice(
        [
            {"family": "infrastructure"},
            {"family": "blade"},
            {"family": "rack"},
            {"kind": "bios"},
            {"kind": "io-module", "models": ("Rush-4",)},
            {"kind": "management-controller", "models": ("Tern-2", "Gull-1")},
            {"models": ("Tern-4",)},
        ]
    )


def _range(rnd: random.Random) -> str:
    return rnd.choice([">=5.4", ">=5.4.10", ">=6.0", ">=6.1", "<6.1", ">=5.4,<6.1", ">=6.1.0-p2", "<=5.4.10"])


def _jump(rnd: random.Random) -> dict[str, Any]:
    way = rnd.choice(["up", "up", "down", "both"])
    return {"what": _what(rnd), "to": _range(rnd), "from": _range(rnd), "direction": way, "source": _source(rnd)}


def _beside(rnd: random.Random) -> dict[str, Any]:
    need = [{**_what(rnd), "version": _range(rnd)} for _ in range(rnd.randint(1, 2))]
    if rnd.random() < 0.2:
        need = [{"kind": "model-list", "version": rnd.choice([">=t2", ">=t3", ">=t4"])}]
    when = {**_what(rnd), **({"version": _range(rnd)} if rnd.random() < 0.7 else {})}
    scope = rnd.choice(["domain", "server", "chassis", "pair"])
    return {"scope": scope, "when": when, "need": tuple(need), "source": _source(rnd)}


def _source(rnd: random.Random) -> str:
    return f"release notes, table {rnd.randint(1, 10**6)}"


def disorderly_fleet(rnd: random.Random) -> Inventory:
    """Two domains in which every fact is known, and little of it is good."""
    components: list[Component] = []
    for domain in ("holm-a", "holm-b"):
        main = rnd.choice(VERSIONS)
        components += _own(rnd, domain, main)
        for slot in range(1, rnd.randint(2, 4)):
            more = {"domain": domain, "policy": rnd.choice(["gold", "gold", "silver", "unheard-of", ""])}
            rows = blade(str(slot), main, model=rnd.choice(["Tern-2", "Tern-4", "Tern-9"]), **more)
            components += [replace(p, active=_version(rnd, main)) for p in rows]
        if rnd.random() < 0.7:
            rows = blade("U1", main, domain=domain, model="Gull-1", chassis="", policy="gold")
            components += [replace(p, active=_version(rnd, main), parent=f"RACK-{domain}") for p in rows[:2]]
    rooms = [
        Partition(p.key, name, 2000, rnd.choice([0, 50, 100, 330, 500, 2000]))
        for p in components
        if p.kind in ("fabric-switch", "domain-manager", "model-list") or rnd.random() < 0.1
        for name in (("a", "b") if rnd.random() < 0.1 else ("a",))
    ]
    return inventory(components, rooms, _policies(rnd))


def _own(rnd: random.Random, domain: str, main: str) -> list[Component]:
    rows: list[Component] = []
    for kind, _ in _OWN:
        chassis = "1" if kind in ("io-module", "chassis-controller") else ""
        rows += pair(kind, f"{kind}-pair", main, domain=domain, chassis=chassis)
    rows = [
        replace(
            p,
            active=_version(rnd, main),
            pending=rnd.choice(["", "", "6.0.1"]),
            spare=rnd.choice(["", "5.4.2"]),
            healthy=rnd.random() < 0.9,
            boot_files=_held(rnd, main) if p.kind == "fabric-switch" else None,
            half=p.half if rnd.random() < 0.95 else "leading",
        )
        for p in rows
    ]
    rows = [replace(p, pair="") if rnd.random() < 0.05 else p for p in rows]
    table = Component("model-list", "holm", domain, chassis="", model="Reed-40", serial=f"MT-{domain}", pair="")
    return [*rows, replace(table, active=rnd.choice(list(TABLES.values())), pending="", spare="")]


def _held(rnd: random.Random, main: str) -> tuple[str, ...]:
    files = set(rnd.sample([*VERSIONS, "5.4.3"], rnd.randint(0, 3)))
    if rnd.random() < 0.8:
        files.add(main)
    return tuple(sorted(files))


def _version(rnd: random.Random, main: str) -> str:
    return main if rnd.random() < 0.8 else rnd.choice([*VERSIONS, *ODD])


def _policies(rnd: random.Random) -> list[Policy]:
    versions = {"blade": rnd.choice(VERSIONS), "rack": rnd.choice(VERSIONS), "bios": rnd.choice(VERSIONS)}
    applies = rnd.choice(["immediate", "on-start-update-request"])
    scope = rnd.choice([("holm-a", "holm-b"), ("holm-a",), ("*",)])
    return [Policy("gold", versions, applies, scope), Policy("silver", {"blade": "6.1.0"}, "immediate", ("holm-a",))]


def disorderly_store(rnd: random.Random, manifest_: Manifest) -> Holdings:
    """Most bundles, in every state of verification and signature."""
    rows = [
        StoredFile(
            b.sha256,
            b.family,
            b.version,
            b.variant or "",
            rnd.choice([True, True, False]),
            PROVEN,
            rnd.choice(list(SignatureState)),
        )
        for b in manifest_.bundle
        if rnd.random() < 0.8
    ]
    families = ("infrastructure",) if rnd.random() < 0.5 else ()
    return Holdings(rows, signed_families=families, max_verification_age_s=rnd.choice([86400, 30 * 86400]))


def large_fleet(domains: int, servers: int) -> Inventory:
    """Many domains of the Marram platform; each server has five components and one of three policies, two of them
    shared."""
    components: list[Component] = []
    rooms: list[Partition] = []
    policies = [
        Policy("gold", {"blade": "6.1.0"}, "on-start-update-request"),
        Policy("silver", {"blade": "6.0.1"}, "immediate", ("*",)),
    ]
    for number in range(domains):
        domain = f"d{number:03}"
        version = ("6.0.1", "5.4.10", "6.0.1", "6.1.0")[number % 4]
        whole = whole_domain(version, domain=domain, blades=0, racks=0)
        components += whole.components
        rooms += whole.partitions
        policies.append(Policy(f"own-{domain}", {"blade": "6.1.0"}, "immediate", (domain,)))
        for place in range(servers):
            more = {"chassis": str(place // 8 + 1), "policy": ("gold", "silver", f"own-{domain}")[place % 3]}
            older = version if (place + number) % 7 else "5.4.2"
            model = "Tern-2" if place % 2 else "Tern-4"
            rows = blade(str(place % 8 + 1), older, domain=domain, model=model, **more)
            rows += [replace(rows[0], kind=kind) for kind in ("storage-controller", "disk")]
            server = f"SRV-{domain}-{place}"
            components += [replace(p, parent=server, serial=f"{server}-{p.kind}") for p in rows]
    return inventory(components, rooms, policies)


def fleet_with_ways(domains: int, servers: int, *, separate_windows: int = 2) -> Inventory:
    """Many domains that all have a way to 6.1; each `separate_windows` of them are kept apart, all share the policies.

    Clusters are each domain's own. Half of the servers take policy `gold`, which applies when confirmed; of the others
    each third domain's apply immediately, so that its last step cannot be planned.
    """
    components: list[Component] = []
    rooms: list[Partition] = []
    policies = [
        Policy("gold", {"blade": "6.0.1"}, "on-start-update-request"),
        Policy("silver", {"blade": "6.0.1"}, "immediate", ("*",)),
        Policy("bronze", {"blade": "6.0.1"}, "on-reset", ("*",)),
    ]
    names = [f"d{number:03}" for number in range(domains)]
    for number, domain in enumerate(names):
        version = ("6.0.1", "5.4.10", "6.0.1")[number % 3]
        whole = whole_domain(version, domain=domain, blades=0, racks=0)
        components += whole.components
        rooms += whole.partitions
        for place in range(servers):
            policy = "gold" if place % 2 else ("silver" if number % 3 == 2 else "bronze")
            more = {"chassis": str(place // 8 + 1), "policy": policy, "cluster": f"{domain}-{place % 4}"}
            rows = blade(str(place % 8 + 1), version, domain=domain, model=("Tern-4", "Tern-2")[place % 2], **more)
            server = f"SRV-{domain}-{place}"
            components += [replace(p, parent=server, serial=f"{server}-{p.kind}") for p in rows]
    kept = tuple(
        SeparateWindows(tuple(names[n : n + separate_windows])) for n in range(0, domains - 1, separate_windows)
    )
    return replace(inventory(components, rooms, policies), separate_windows=kept)
