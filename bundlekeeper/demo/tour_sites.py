"""The invented sites of the tour: what is in the domain skerry-a, as an inventory by hand, and two people's keys.

Rules: nothing here looks at a clock, and only the keys come from a random source; the world is the ferry company of the
demo.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

TAKEN = "2026-08-10"
_RUNS = "5.4.10"
_SPARE = "5.4.2"


def inventory() -> str:
    """The inventory's text (TOML): two switches with their managers, a chassis, three blades, two racks."""
    head = [
        "# What is in the domain skerry-a: invented, for the tour.",
        "inventory = 1",
        f"read_at = {TAKEN}",
        'zone = "UTC"',
        "",
    ]
    return "\n".join([*head, *_infrastructure(), *_servers(), *_rest()])


def make_key(path: Path) -> None:
    """Write a new Ed25519 key in OpenSSH's format, with no passphrase, and its public half beside it (.pub).

    For the tour alone: a key that signs real media has a passphrase. Raises OSError.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat

    key = Ed25519PrivateKey.generate()
    path.parent.mkdir(mode=0o700, exist_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600), "wb") as file:
        file.write(key.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption()))
    public = key.public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH)
    path.with_suffix(".pub").write_bytes(public + b" " + path.name.encode() + b"\n")


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
            model="Reed-40",
            serial=switch,
            slot=slot,
            active=_RUNS,
            boot_files=[_RUNS],
            pair="fabric",
            **common,
        )
        yield from _component(
            kind="domain-manager",
            model="Reed-40",
            parent=switch,
            slot=slot,
            active=_RUNS,
            pair="manager",
            variant="managed-servers",
            **common,
        )
        for kind, model, word in (("chassis-controller", "Dune-8", "cc"), ("io-module", "Rush-4", "io")):
            serial = f"SKERRYA-{word.upper()}{number}"
            place = {"chassis": "1", "slot": f"{word}-{number}", "pair": "io-1" if word == "io" else "chassis-1"}
            yield from _component(kind=kind, model=model, serial=serial, active=_RUNS, spare=_SPARE, **place, **common)
    yield from _component(kind="model-list", model="Reed-40", serial="SKERRYA-MT", active="2025-2")


def _servers() -> Iterator[str]:
    blades = [("1", "Tern-2", "quay"), ("2", "Tern-2", "quay"), ("3", "Tern-4", "gate")]
    for slot, model, cluster in blades:
        yield from _server(f"SKERRYA-B{slot}", model, cluster, {"chassis": "1", "slot": slot})
    for number in (1, 2):
        yield from _server(f"SKERRYA-R{number}", f"Gull-{number}", "store", {"slot": f"rack-{number}"})


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
    yield from ('applies = "on-start-update-request"', 'scope = ["skerry-a"]', "")
