"""A domain of 40 servers at the ferry company, as the text of an inventory: what a run-book has to fit on few pages."""

from __future__ import annotations

from collections.abc import Iterator

DOMAIN, SERVERS = "holm-c", 40
_HALVES = ("leading", "following")


def large_domain(version: str = "5.4.10", clusters: int = 4, healthy: str = "true") -> str:
    """The inventory: five chassis of eight blade servers, all at `version`, every fact known."""
    return "\n".join(_lines(version, clusters, healthy)) + "\n"


def _lines(version: str, clusters: int, healthy: str) -> Iterator[str]:
    yield 'inventory = 1\nread_at = 2026-11-20\nzone = "UTC"\n'
    for n, half in enumerate(_HALVES, 1):
        about = {"pair": "fabric", "half": half, "slot": f"fabric-{'ab'[n - 1]}"}
        switch = f"HOLMC-SW{n}"
        yield from _one("fabric-switch", "Reed-40", version, serial=switch, files=version, healthy=healthy, **about)
        yield from _one("domain-manager", "Reed-40", version, parent=switch, **{**about, "pair": "manager"})
        yield f'[[partition]]\ncomponent = "{switch}"\nname = "images"'
        yield "size_bytes = 5_000_000\nfree_bytes = 2_000_000\n"
    yield from _one("model-list", "Reed-40", "2025-2", serial="HOLMC-MT")
    for chassis in range(1, 6):
        for n, half in enumerate(_HALVES, 1):
            about = {"chassis": str(chassis), "half": half}
            io = {**about, "pair": f"io-{chassis}", "slot": f"io-{n}", "serial": f"HOLMC-IO{chassis}{n}"}
            yield from _one("io-module", "Rush-4", version, **io)
            cc = {**about, "pair": f"chassis-{chassis}", "slot": f"cc-{n}", "serial": f"HOLMC-CC{chassis}{n}"}
            yield from _one("chassis-controller", "Dune-8", version, **cc)
    for number in range(SERVERS):
        place = {"chassis": str(number // 8 + 1), "slot": str(number % 8 + 1), "parent": f"HOLMC-B{number + 1:02}"}
        for kind in ("bios", "management-controller"):
            yield from _one(kind, "Tern-2", version, policy="calm", cluster=f"cluster-{number % clusters + 1}", **place)
    yield '[[policy]]\nname = "calm"\nversions = { blade = "5.4.10" }\napplies = "on-reset"\nscope = ["holm-c"]\n'


def _one(kind: str, model: str, version: str, *, files: str = "", healthy: str = "true", **more: str) -> Iterator[str]:
    yield f'[[component]]\nsite = "holm"\ndomain = "{DOMAIN}"\nkind = "{kind}"\nmodel = "{model}"\nactive = "{version}"'
    yield from (f'{name} = "{value}"' for name, value in more.items())
    if files:
        yield f'boot_files = ["{files}"]'
    elif kind != "model-list":
        yield 'spare = ""'
    if "pair" in more:
        yield f"healthy = {healthy}"
    yield ""
