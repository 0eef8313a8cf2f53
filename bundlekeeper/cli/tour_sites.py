"""The invented site of the tour: what stands in the domain skerry-a, as an inventory by hand.

Rules: nothing here looks at a clock or a random source; the world is the harbour authority of the demo.
"""

from __future__ import annotations

from collections.abc import Iterator

TAKEN = "2026-08-10"
_RUNS = "5.4.10"
_SPARE = "5.4.2"


def inventory() -> str:
    """The inventory's text (TOML): two switches with their managers, a chassis, three blades, two racks."""
    head = [
        "# What stands in the domain skerry-a: invented, for the tour.",
        "inventory = 1",
        f"taken = {TAKEN}",
        'zone = "UTC"',
        "",
    ]
    return "\n".join([*head, *_infrastructure(), *_servers(), *_rest()])


def _component(**values: str | bool | list[str]) -> Iterator[str]:
    yield "[[component]]"
    yield 'site = "skerry"'
    yield 'domain = "skerry-a"'
    for key, value in values.items():
        if isinstance(value, bool):
            yield f"{key} = {str(value).lower()}"
        elif isinstance(value, list):
            yield f"{key} = [{', '.join(f'{chr(34)}{each}{chr(34)}' for each in value)}]"
        else:
            yield f'{key} = "{value}"'
    yield ""


def _infrastructure() -> Iterator[str]:
    for number, half in enumerate(("leading", "following"), 1):
        switch, slot = f"SKERRYA-SW{number}", f"fabric-{'ab'[number - 1]}"
        common: dict[str, str | bool | list[str]] = {"half": half, "healthy": True}
        yield from _component(
            kind="fabric-switch",
            model="MF-40",
            serial=switch,
            slot=slot,
            active=_RUNS,
            held=[_RUNS],
            pair="fabric",
            **common,
        )
        yield from _component(
            kind="domain-manager", model="MF-40", parent=switch, slot=slot, active=_RUNS, pair="manager", **common
        )
        for kind, model, word in (("chassis-controller", "MC-8", "cc"), ("io-module", "MX-4", "io")):
            serial = f"SKERRYA-{word.upper()}{number}"
            place = {"chassis": "1", "slot": f"{word}-{number}", "pair": "io-1" if word == "io" else "chassis-1"}
            yield from _component(kind=kind, model=model, serial=serial, active=_RUNS, spare=_SPARE, **place, **common)
    yield from _component(kind="model-table", model="MF-40", serial="SKERRYA-MT", active="2025-2")


def _servers() -> Iterator[str]:
    blades = [("1", "MB-2", "quay"), ("2", "MB-2", "quay"), ("3", "MB-4", "gate")]
    for slot, model, cluster in blades:
        yield from _server(f"SKERRYA-B{slot}", model, cluster, {"chassis": "1", "slot": slot})
    for number in (1, 2):
        yield from _server(f"SKERRYA-R{number}", f"MR-{number}", "store", {"slot": f"rack-{number}"})


def _server(serial: str, model: str, cluster: str, place: dict[str, str]) -> Iterator[str]:
    for kind in ("bios", "management-controller"):
        yield from _component(
            kind=kind, model=model, parent=serial, active=_RUNS, spare=_SPARE, policy="skerry", cluster=cluster, **place
        )


def _rest() -> Iterator[str]:
    for number, free in ((1, 3_000_000_000), (2, 900_000_000)):
        yield from ("[[partition]]", f'component = "SKERRYA-SW{number}"', 'name = "images"')
        yield from ("size_bytes = 4_000_000_000", f"free_bytes = {free:_}", "")
    yield from ("[[policy]]", 'name = "skerry"', f'versions = {{ blade = "{_RUNS}", rack = "{_RUNS}" }}')
    yield from ('applies = "when-confirmed"', 'scope = ["skerry-a"]', "")
