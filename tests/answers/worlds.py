"""Worlds to ask about: those of the kits, with facts blanked, doubled, swapped and set beside their bounds."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from random import Random
from typing import Any

from bundlekeeper.findings import finding
from bundlekeeper.model.inventory.types import Component, Inventory, Partition, Policy, SeparateWindows
from bundlekeeper.model.manifest.types import Jump, KindRule, Manifest
from bundlekeeper.model.vocabulary import APPLIES, FAMILIES
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.stock import Holdings, SignatureState, StoredFile
from tests.kits import planning_kit
from tests.kits.brute_force import Brute, chance_rules
from tests.kits.planning_kit import NOW, PROVEN, blade, marram, stored_all, whole_domain
from tests.kits.planning_worlds import disorderly_fleet, disorderly_manifest
from tests.kits.route_worlds import LARGE, large_domain, large_manifest

_NEVER_BLANK = ("kind", "site", "domain", "serial")


def blurred(rnd: Random, inventory: Inventory, share: float) -> Inventory:
    """Some facts of so many components not known, known to be none, or those of another component; policies and
    rooms, too."""
    components = [
        _blurred(rnd, component, inventory.components) if rnd.random() < share else component
        for component in inventory.components
    ]
    if rnd.random() < share / 2:
        components = _thinned(rnd, components)
    if rnd.random() < share / 2:
        gauge = rnd.choice(["tide-gauge", "storage-controller", "port-extender"])
        components += [
            replace(component, kind=gauge, serial=f"{component.serial}-T")
            for component in rnd.sample(components, min(3, len(components)))
        ]
    rooms = [_room(rnd, room) if rnd.random() < share else room for room in inventory.partitions]
    rooms += [replace(room, name=f"{room.name}-2") for room in rooms if rnd.random() < share / 2]
    policies = [_policy(rnd, policy) if rnd.random() < share else policy for policy in inventory.policies]
    domains = inventory.domains()
    apart = (SeparateWindows(domains[:2], "one ring"),) if len(domains) > 1 and rnd.random() < share + 0.2 else ()
    return replace(
        inventory,
        components=tuple(components),
        partitions=tuple(rooms),
        policies=tuple(policies),
        separate_windows=apart,
    )


def _blurred(rnd: Random, component: Component, others: tuple[Component, ...]) -> Component:
    for _ in range(rnd.choice([1, 1, 2])):
        name = rnd.choice([f.name for f in fields(Component) if f.name not in _NEVER_BLANK])
        kin = [other for other in others if other.kind == component.kind]
        blank: Any = None if name in ("active", "half", "healthy", "boot_files") else rnd.choice([None, ""])
        value = blank if rnd.random() < 0.6 else getattr(rnd.choice(kin), name)
        component = replace(component, **{name: value})
    return component


def _thinned(rnd: Random, components: list[Component]) -> list[Component]:
    """All components but those of a kind, or of the infrastructure, or of servers, or one half of a pair."""
    kind = rnd.choice(components).kind
    rule = rnd.randrange(5)

    def is_kept(component: Component) -> bool:
        of_server = component.policy is not None
        whole = component.half != "leading" or component.kind != kind
        return (component.kind != kind, component.kind != "model-list", of_server, not of_server, whole)[rule]

    return [component for component in components if is_kept(component)] or components


def _room(rnd: Random, room: Partition) -> Partition:
    return rnd.choice(
        [replace(room, free_bytes=None), replace(room, size_bytes=None), replace(room, free_bytes=rnd.randint(0, 700))]
    )


def _policy(rnd: Random, policy: Policy) -> Policy:
    wanted = dict(policy.versions or {})
    for name in list(wanted):
        if rnd.random() < 0.4:
            del wanted[name]
    return rnd.choice(
        [
            replace(policy, versions=None),
            replace(policy, versions=wanted),
            replace(policy, versions={**wanted, "management-controller": "6.0.1"}),
            replace(policy, applies=rnd.choice([None, *APPLIES])),
            replace(policy, scope=rnd.choice([None, (), ("*",), ("holm-b",)])),
        ]
    )


def varied(rnd: Random, manifest: Manifest, share: float) -> Manifest:
    """The manifest with sizes and times of its images blanked and changed, standings, variants and kinds' own rules."""
    raw = manifest.model_dump(mode="python", by_alias=True, exclude_none=True)
    for bundle in raw["bundle"]:
        for image in bundle["images"]:
            if rnd.random() < share:
                name = rnd.choice(["size", "unpacked", "working", "minutes"])
                image.pop(name, None)
                if rnd.random() < 0.5:
                    image[name] = rnd.choice([0, 1, 30, 199, 200, 201])
            if rnd.random() < share / 8:
                image["models"] = image["models"][:1]
        if rnd.random() < share / 2:
            bundle |= {"lifecycle": "withdrawn", **rnd.choice([{}, {"reason": "notice 9"}])}
        if rnd.random() < share / 2:
            bundle.pop("digest_from", None)
        if bundle["family"] == "rack" and rnd.random() < share / 2:
            bundle["variant"] = "single-servers"
        if rnd.random() < share / 6:
            bundle["images"] = ()
        if bundle["images"] and rnd.random() < share / 4:
            bundle["images"] = bundle["images"][1:]
        if rnd.random() < share / 8:
            bundle |= {
                "base": rnd.choice(["5.4.10", "4.0"]),
                "only": tuple(dict.fromkeys(i["kind"] for i in bundle["images"])),
            }
        if rnd.random() < share:
            bundle["signature"] = {"file": f"{bundle['file']}.sig", "form": "sshsig", "key": "office"}
        bundle["size"] = rnd.choice([1000, 1001, 5_000_000])
    if rnd.random() < share:  # a kind of its own, of which perhaps not all is said
        raw["bundle"][0]["images"] = (
            *raw["bundle"][0]["images"],
            planning_kit.image("tide-gauge", ("Reed-40", "Tern-2"), "6.1.0"),
        )
    for kind in ("bios", "io-module", "domain-manager", "fabric-switch", "management-controller"):
        if rnd.random() < share:
            raw.setdefault("kind", {})[kind] = _kind(rnd)
    if rnd.random() < share / 2:
        raw["kind"]["tide-gauge"] = _kind(rnd)
    for release in raw["release"]:
        name = rnd.choice(["blade", "rack", "infrastructure"])
        if rnd.random() < share / 2:
            release[name] = rnd.choice(["9.9", ("9.9", "6.1.0"), "6.0.1", ("6.1.0", "6.0.1", "5.4.10"), "5.4.3"])
        if rnd.random() < share / 5:
            release.pop(name, None)
    if rnd.random() < share:
        raw.pop("expires", None)
    if rnd.random() < share / 2:
        raw["families"] = rnd.choice(
            [("infrastructure", "blade"), ("infrastructure", "rack"), ("blade", "rack"), ("rack",)]
        )
        raw["bundle"] = [bundle for bundle in raw["bundle"] if bundle["family"] in raw["families"]]
        for release in raw["release"]:
            for family in set(FAMILIES) - set(raw["families"]):
                release.pop(family, None)
    return Manifest.model_validate(raw)


def _kind(rnd: Random) -> dict[str, Any]:
    rules: dict[str, Any] = {
        "method": rnd.choice(["overwrite", "two-bank", "boot-file"]),
        "applied_by": rnd.choice(["operator", "policy"]),
        "back": rnd.choice(["switch", "pointer", "reinstall", "restore", "none"]),
        "minutes": rnd.randint(1, 90),
    }
    kept = {name: value for name, value in rules.items() if rnd.random() < 0.5}
    if rnd.random() < 0.3:
        kept["models"] = {rnd.choice(["Tern-2", "Rush-4", "Reed-40", "Gull-1"]): {"minutes": 7, "back": "none"}}
    return kept


def stock(rnd: Random, manifest: Manifest) -> Holdings:
    """Most bundles, in every state of verification and signature, other copies beside some, some told against."""
    told = [finding(code, "x.bin", "by the key office") for code in ("removed-key", "expired-key", "unknown-key")]
    rows = []
    for bundle in manifest.bundle:
        for copy in range(rnd.choice([0, 1, 1, 1, 1, 2])):
            sha256 = bundle.sha256 if not copy or rnd.random() < 0.5 else "f" * 64
            verified = rnd.choice([True, True, True, False, None])
            at = rnd.choice([PROVEN, NOW, NOW - timedelta(days=30), NOW - timedelta(days=30, seconds=1), None])
            signature = rnd.choice([SignatureState.GOOD, SignatureState.GOOD, *SignatureState])
            against = (rnd.choice(told),) if rnd.random() < 0.08 else ()
            family = bundle.family if rnd.random() < 0.98 else "blade"
            variant = rnd.choice([bundle.variant or "", bundle.variant or "", "", "single-servers"])
            rows.append(StoredFile(sha256, family, bundle.version, variant, verified, at, signature, against))
    families = rnd.choice([(), ("infrastructure",), ("blade", "rack"), ("infrastructure", "blade", "rack")])
    return Holdings(rows, signed_families=families, max_verification_age_s=rnd.choice([None, 86400, 30 * 86400]))


@dataclass(frozen=True, slots=True)
class Asked:
    """All that planning is asked with."""

    manifest: Manifest
    inventory: Inventory
    holdings: Holdings
    release: str
    now: datetime = NOW

    @property
    def fleet(self) -> Fleet:
        """The fleet of this manifest and inventory."""
        return Fleet(self.manifest, self.inventory)

    def changed(self, rnd: Random) -> Asked:
        """The same with some facts changed."""
        components = list(self.inventory.components)
        if rnd.random() < 0.3:
            components.pop(rnd.randrange(len(components)))
        inventory = blurred(rnd, replace(self.inventory, components=tuple(components)), rnd.choice([0.0, 0.1]))
        manifest = self.manifest if rnd.random() < 0.4 else varied(rnd, self.manifest, 0.05)
        return replace(self, manifest=manifest, inventory=inventory)


def disorder(rnd: Random) -> Asked:
    """Two domains in disorder."""
    manifest = varied(rnd, disorderly_manifest(rnd), rnd.choice([0.0, 0.1, 0.5]))
    inventory = blurred(rnd, disorderly_fleet(rnd), rnd.choice([0.0, 0.1, 0.4]))
    release = rnd.choice(["6.1", "6.1", "6.0"])
    now = rnd.choice([NOW, NOW, NOW + timedelta(days=400)])
    return Asked(manifest, inventory, stock(rnd, manifest), release, now)


def orderly(rnd: Random) -> Asked:
    """Up to three domains of the example's platform that mostly have a way; one thing or another is amiss."""
    manifest = marram()
    if rnd.random() < 0.4:
        manifest = varied(rnd, manifest, 0.1)
    if rnd.random() < 0.4:  # down is allowed, too
        ends = {"to": ">=5.0", "from": ">=5.0", "direction": "both", "source": "notes, both ways"}
        both = (Jump.model_validate({"what": {"family": family}, **ends}) for family in FAMILIES)
        manifest = manifest.model_copy(update={"jump": (*manifest.jump, *both)})
    if rnd.random() < 0.3:
        kind = rnd.choice(["domain-manager", "fabric-switch", "io-module", "bios"])
        manifest = manifest.model_copy(update={"kind": {**manifest.kind, kind: KindRule.model_validate(_kind(rnd))}})
    components: list[Component] = []
    rooms: list[Partition] = []
    policies: list[Policy] = []
    for name in ("holm-a", "holm-b", "skerry-a")[: rnd.randint(1, 3)]:
        version = rnd.choice(["5.4.10", "6.0.1", "6.0.1", "5.4.2", "6.1.0"])
        whole = whole_domain(version, domain=name, blades=0, racks=rnd.randint(0, 1))
        components += whole.components
        rooms += [replace(room, free_bytes=rnd.choice([2_000_000, 900, 0, 10**9])) for room in whole.partitions]
        policies += whole.policies
        for slot in range(1, rnd.randint(2, 5)):
            more = {"policy": rnd.choice(["gold", "gold", "silver", "bronze", "", None])}
            more |= {"cluster": rnd.choice(["c1", "c1", "c2", "", None])}
            own = version if rnd.random() < 0.8 else rnd.choice(["5.4.2", "6.0.1", "6.1.0"])
            components += blade(str(slot), own, domain=name, model=rnd.choice(["Tern-2", "Tern-4"]), **more)
    for name in ("silver", "bronze"):
        versions = {"blade": rnd.choice(["6.1.0", "6.0.1"])}
        scope = rnd.choice([None, ("*",), ("holm-a", "holm-b"), ("holm-a",)])
        policies.append(Policy(name, versions, rnd.choice(APPLIES), scope))
    if rnd.random() < 0.4:
        components = _halves(rnd, components)
    inventory = blurred(rnd, planning_kit.inventory(components, rooms, policies), rnd.choice([0.0, 0.0, 0.03, 0.1]))
    holdings = stored_all(manifest) if rnd.random() < 0.6 else stock(rnd, manifest)
    return Asked(manifest, inventory, holdings, rnd.choice(["6.1", "6.1", "6.0", "5.4"]))


def _halves(rnd: Random, components: list[Component]) -> list[Component]:
    """Pairs of the infrastructure that are not whole, not healthy, not known, or in two places; all else is known."""
    found: list[Component] = []
    for component in components:
        if component.half and rnd.random() < 0.3:
            changes: dict[str, Any] = rnd.choice(
                [{"healthy": False}, {"healthy": None}, {"half": None}, {"half": "leading"}, {"pair": ""},
                 {"pair": None}, {"chassis": "2"}, {"boot_files": None}, {"boot_files": ("5.4.2", "6.0.1")},
                 {"pending": "6.1.0"}, {"pair": "other"}]
            )  # fmt: skip
            component = replace(component, **changes)
        if not component.half or rnd.random() < 0.97:
            found.append(component)
    return found


def large(rnd: Random) -> Asked:
    """A large domain with many releases."""
    world = replace(rnd.choice(LARGE), seed=rnd.randint(1, 10**6))
    manifest = large_manifest(world)
    inventory = large_domain(world, manifest)
    return Asked(manifest, inventory, stored_all(manifest), manifest.release[world.to].name)


def ruled(rnd: Random) -> tuple[Asked, str]:
    """A small domain of which all is known, under a few rules by chance, and where it is to go."""
    case = Brute(rnd)
    if rnd.random() < 0.5:
        more = chance_rules(rnd)
        case.ruled_by({name: (*case.extra[name], *more[name]) for name in more})
    goal = case.manifest.release[case.goal].name
    return Asked(case.manifest, case.parts, stored_all(case.manifest), goal), goal
