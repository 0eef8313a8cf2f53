"""The words of the trade, each declared once: families, kinds, methods, banks, halves, what a policy applies when.

Rules: no heavy library, because everything imports this module; what is to be known of a word is a fact of its
declaration; an addition goes to the end of its list, because the ledger numbers methods and banks by their place here.
The facts are common practice, from memory (active and pending banks as in DMTF DSP0267);
every minute is assumed, none is published.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Family = Literal["infrastructure", "blade", "rack"]
FAMILIES: tuple[Family, ...] = get_args(Family)
INFRASTRUCTURE: Family = "infrastructure"
SERVER_FAMILIES: tuple[Family, ...] = tuple(family for family in FAMILIES if family != INFRASTRUCTURE)
SERVERS = "servers"  # all server families, as a step of a plan names them

Half = Literal["leading", "following"]
HALVES: tuple[Half, ...] = get_args(Half)

#: When a policy applies: the apply times of DMTF DSP0266 (Redfish, from memory), in kebab-case.
Applies = Literal[
    "immediate", "on-reset", "on-start-update-request", "at-maintenance-window-start", "in-maintenance-window-on-reset"
]
APPLIES: tuple[Applies, ...] = get_args(Applies)

#: Where an image can be on a part. The last one is the part's file system, which holds any number of images.
Bank = Literal["active", "pending", "spare", "held"]
BANKS: tuple[Bank, ...] = get_args(Bank)
HELD: Bank = "held"
SINGLE_BANKS: tuple[Bank, ...] = tuple(bank for bank in BANKS if bank != HELD)

By = Literal["hand", "policy"]
Back = Literal["switch", "pointer", "reinstall", "restore", "none"]
Method = Literal["overwrite", "two-bank", "boot-file"]


@dataclass(frozen=True, slots=True)
class MethodFacts:
    """How a method writes an image: the banks that it can be staged into, the usual one of them, and the way back."""

    banks: tuple[Bank, ...]
    usual: Bank | None
    back: Back


METHODS: dict[str, MethodFacts] = {
    "overwrite": MethodFacts((), None, "reinstall"),  # what is overwritten has nowhere to be staged
    "two-bank": MethodFacts(("pending", "spare"), "spare", "switch"),
    "boot-file": MethodFacts(("held", "pending"), "held", "pointer"),
}
STAGED_METHODS = tuple(method for method, facts in METHODS.items() if facts.banks)


LAST_TURN = 2


@dataclass(frozen=True, slots=True)
class KindFacts:
    """How one kind of component takes its image. `minutes` is for one part and assumed unless a manifest says it."""

    method: Method
    by: By
    back: Back
    down: str  # what is down while it restarts: "manager", "path", "half", "controller", "server", "nothing"
    effect: str  # the same in words
    minutes: int
    of_server: bool = False  # a part of a server (its parent moves with it)
    paired: bool = False  # usually one of a redundant pair
    in_chassis: bool = False  # stands in a chassis, its other half too
    turn: int = LAST_TURN  # the earlier in a server, or in the infrastructure going up, the lower
    whole_slot: bool = False  # a part without a serial is told by its whole slot; no kind that comes later has this


KINDS: dict[str, KindFacts] = {
    "fabric-switch": KindFacts(
        "boot-file", "hand", "pointer", "half", "that half of the fabric is down while it restarts", 45, paired=True,
        whole_slot=True,
    ),
    "domain-manager": KindFacts(
        "overwrite", "hand", "restore", "manager", "the manager restarts, servers keep running", 30, paired=True,
        turn=1, whole_slot=True,
    ),
    "io-module": KindFacts(
        "two-bank", "hand", "switch", "path", "that path is down while it restarts", 15, paired=True,
        in_chassis=True, whole_slot=True,
    ),
    "port-extender": KindFacts(
        "two-bank", "hand", "switch", "path", "that path is down while it restarts", 15, paired=True, whole_slot=True
    ),
    "chassis-controller": KindFacts(
        "two-bank", "hand", "switch", "controller", "the chassis controller restarts, servers keep running", 15,
        paired=True, in_chassis=True, whole_slot=True,
    ),
    "model-table": KindFacts(
        "overwrite", "hand", "reinstall", "nothing", "nothing restarts", 5, turn=0, whole_slot=True
    ),
    "bios": KindFacts("two-bank", "policy", "switch", "server", "the server restarts", 20, of_server=True, turn=1),
    "management-controller": KindFacts(
        "two-bank", "policy", "switch", "controller", "the management controller restarts", 15, of_server=True, turn=0
    ),
    "network-adapter": KindFacts("two-bank", "policy", "switch", "server", "the server restarts", 10, of_server=True),
    "storage-controller": KindFacts(
        "overwrite", "policy", "reinstall", "server", "the server restarts", 10, of_server=True
    ),
    "disk": KindFacts("overwrite", "policy", "none", "server", "the server restarts", 10, of_server=True),
    "board-logic": KindFacts(
        "overwrite", "policy", "none", "server", "the server is switched off and on", 15, of_server=True
    ),
}  # fmt: skip
MODEL_TABLE, MANAGER, SWITCH = "model-table", "domain-manager", "fabric-switch"  # of which planning speaks by name


def turn_of(kind: str) -> int:
    """The kind's turn in a server or in the infrastructure going up: the lower the earlier; an unknown kind is last."""
    facts = KINDS.get(kind)
    return facts.turn if facts else LAST_TURN
