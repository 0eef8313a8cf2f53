"""Large worlds for routes: forty releases of each family, eight classes of servers, rules of every scope.

What a world is like is drawn from its seed, the same everywhere; `LARGE` are those that the bench and the tests speak
of: up and down, with patches and stops on the way, orderly and mixed starts, with a way and without one.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from typing import Any

from bundlekeeper.model.inventory.types import Component, Inventory
from bundlekeeper.model.manifest.types import Manifest
from tests.kits.planning_kit import blade, bundle, image, inventory, manifest, pair

VERSIONS = tuple(f"{major}.{minor}.0" for major in range(1, 11) for minor in range(4))
_OWN = (
    ("fabric-switch", "Reed-40"),
    ("domain-manager", "Reed-40"),
    ("io-module", "Rush-4"),
    ("chassis-controller", "Dune-8"),
)
_BLADE = ("bios", "management-controller", "network-adapter")
_MODELS = {"blade": ("Tern-2", "Tern-4"), "rack": ("Gull-1", "Gull-2")}


@dataclass(frozen=True, slots=True)
class Large:
    """One world: the release to reach, and how many rules each family's jumps and neighbours have."""

    seed: int
    start: int = 3  # the place in VERSIONS that most components run
    to: int = 37
    spread: int = 6  # servers run up to that many places less
    stops: int = 3  # jumps with an intermediate stop, per family
    compatible_rules: int = 6
    patches: int = 2
    mixed: float = 0.3  # how many servers have parts of different versions
    down: bool = False
    tight: bool = False  # neighbours may be few versions apart
    blocked: bool = False  # one more rule that nothing obeys
    costs: bool = True  # images with sizes and minutes of their own


LARGE = (
    Large(1), Large(2, compatible_rules=10), Large(3, stops=5), Large(4, spread=3, mixed=0), Large(5, tight=True),
    Large(6, stops=6, compatible_rules=12, tight=True), Large(7, costs=False), Large(8, mixed=0.8, patches=6),
    Large(9, start=37, to=4, down=True, spread=0), Large(10, start=30, to=12, down=True, spread=0, tight=True),
    Large(11, blocked=True), Large(12, blocked=True, tight=True, stops=5), Large(13, start=12, spread=12, stops=4),
    Large(14, start=20, to=39, spread=8, compatible_rules=14, stops=2),
    Large(15, spread=3, stops=0, compatible_rules=0, patches=0),
    Large(16, start=8, spread=8, stops=8, compatible_rules=8, mixed=0.5),
    Large(17, start=37, to=20, down=True, spread=0, compatible_rules=1),
    Large(18, start=37, to=22, down=True, spread=0, compatible_rules=0),
)  # fmt: skip


def large_manifest(world: Large) -> Manifest:
    """Forty releases; image versions are mostly the bundle's, some did not change since the bundle before."""
    rnd = random.Random(world.seed)
    rows: list[dict[str, Any]] = []
    last: dict[tuple[str, str], str] = {}

    def component(kind: str, models: Any, version: str) -> dict[str, Any]:
        key = (kind, str(models))
        if key not in last or rnd.random() > 0.1:
            last[key] = version
        more = {"size": rnd.randint(10, 300), "minutes": rnd.randint(3, 30)} if world.costs else {}
        return image(kind, models, last[key], **more)

    for number, version in enumerate(VERSIONS, 1):
        own = [component(kind, model, version) for kind, model in _OWN]
        rows.append(bundle("infrastructure", version, *own, image("model-list", "Reed-40", f"t{number}")))
        rows.append(bundle("blade", version, *(component(kind, _MODELS["blade"], version) for kind in _BLADE)))
        rows.append(bundle("rack", version, *(component(kind, _MODELS["rack"], version) for kind in _BLADE[:2])))
    release = [{"name": v, "infrastructure": v, "blade": v, "rack": v} for v in VERSIONS]
    for place in rnd.sample(range(40), world.patches):
        family = rnd.choice(["infrastructure", "blade", "rack"])
        kind, model = {"infrastructure": _OWN[2], "blade": ("bios", "Tern-4"), "rack": ("bios", "Gull-2")}[family]
        name = f"{VERSIONS[place]}-p1"
        rows.append(bundle(family, name, component(kind, model, name), base=VERSIONS[place], only=(kind,)))
        release[place][family] = name
    tables = {"model-list": {"order": "listed", "list": tuple(f"t{n}" for n in range(1, 41))}}
    rules = {"jump": tuple(_jumps(rnd, world)), "compatible": tuple(_besides(rnd, world))}
    return manifest(*rows, release=tuple(release), kind=tables, **rules)


def _jumps(rnd: random.Random, world: Large) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for family in ("infrastructure", "blade", "rack"):
        for number in range(world.stops):
            end = 8 + 30 * number // world.stops + rnd.randint(0, 3)
            start = max(0, end - rnd.randint(5, 14))
            what: dict[str, Any] = {"family": family}
            if rnd.random() < 0.25:
                kind = "io-module" if family == "infrastructure" else "bios"
                what = {"kind": kind, "models": _MODELS.get(family)}
            ends = {"to": f">={VERSIONS[end]}", "from": f">={VERSIONS[start]}"}
            rows.append({"what": what, **ends, "direction": "up", "source": f"notes {VERSIONS[end]}, table {number}"})
        if world.down:
            middle = rnd.randint(14, 26)
            way = {"what": {"family": family}, "direction": "down"}
            low = {"to": f"<{VERSIONS[middle]}", "from": f"<{VERSIONS[min(39, middle + 8)]}"}
            rows.append({**way, **low, "source": f"notes {VERSIONS[middle]}, way down"})
            rows.append({**way, "to": f">={VERSIONS[middle]}", "from": ">=1.0", "source": "notes, way down"})
    if world.blocked:
        ends = {"to": f">={VERSIONS[world.to - 2]}", "from": f">={VERSIONS[world.to - 1]}", "direction": "up"}
        rows.append({"what": {"kind": "bios", "models": ("Tern-4",)}, **ends, "source": "notes, never"})
        rows.append({"what": {"kind": "bios", "models": ("Gull-2",)}, **ends, "source": "notes, never"})
    return rows


def _besides(rnd: random.Random, world: Large) -> list[dict[str, Any]]:
    """Who may stand beside whom: later ones want neighbours that are not too old."""
    rows: list[dict[str, Any]] = []
    for number in range(world.compatible_rules):
        place = rnd.randint(6, 38)
        behind = rnd.randint(2, 6) if world.tight else rnd.randint(6, 14)
        when: dict[str, Any]
        need: dict[str, Any]
        at, low = VERSIONS[place], VERSIONS[max(0, place - behind)]
        scope = rnd.choice(["domain", "domain", "domain", "server", "pair", "chassis"])
        if scope == "server":
            when, need = (
                {"kind": "bios", "version": f">={at}"},
                {"kind": "management-controller", "version": f">={low}"},
            )
        elif scope == "pair":
            when, need = ({"kind": "fabric-switch", "version": f">={v}"} for v in (at, low))
        elif scope == "chassis":
            when = {"kind": "io-module", "version": f">={at}"}
            models: Any = (rnd.choice(_MODELS["blade"]),)
            need = {"family": "blade", "models": models, "version": f">={low}"}
        else:
            one, other = rnd.sample(["infrastructure", "blade", "rack"], 2)
            when, need = {"family": one, "version": f">={at}"}, {"family": other, "version": f">={low}"}
        rows.append({"scope": scope, "when": when, "need": (need,), "source": f"notes {at}, table {number + 20}"})
    return rows


def large_domain(world: Large, rules: Manifest) -> Inventory:
    """One domain: two of each part of the infrastructure, and servers of eight classes, two of each."""
    rnd = random.Random(world.seed + 1000)
    main = VERSIONS[world.start]
    runs = {
        (b.version, i.kind, model): i.version
        for b in rules.bundle
        if b.base is None
        for i in b.images
        for model in i.models
    }
    components: list[Component] = []
    for kind, model in _OWN:
        chassis = "1" if kind in ("io-module", "chassis-controller") else ""
        components += pair(kind, kind, runs[main, kind, model], chassis=chassis)
    table = Component("model-list", "holm", "holm-a", chassis="", model="Reed-40", serial="MT", pair="")
    components.append(replace(table, active=f"t{world.start + 1}", pending="", spare=""))
    seen: set[tuple[Any, ...]] = set()
    while len(seen) < 8:
        family = "blade" if len(seen) < 5 else "rack"
        model = rnd.choice(_MODELS[family])
        low = max(0, world.start - world.spread)
        places = [rnd.randint(low, world.start)] * 3
        if rnd.random() < world.mixed:
            places = [max(low, min(world.start, n + rnd.randint(-1, 1))) for n in places]
        if not world.spread:  # of one version, told apart by an adapter that no bundle serves
            places = [world.start] * 3
        key = (family, model, *places, len(seen) if not world.spread else 0)
        if key in seen:
            continue
        seen.add(key)
        for copy in range(2):
            slot = f"{len(seen)}{copy}" if family == "blade" else f"U{len(seen)}{copy}"
            rows = blade(slot, main, model=model, chassis="1" if family == "blade" else "")
            rows = rows[: 2 if family == "rack" else 3]
            rows = [replace(p, active=runs[VERSIONS[n], p.kind, model]) for p, n in zip(rows, places, strict=False)]
            if not world.spread:
                rows.append(replace(rows[0], kind="disk", model=f"MD-{len(seen)}", serial=f"D{slot}", active="1.0"))
            components += rows
    return inventory(components)
