"""The words of the trade, each declared once: families, kinds, methods, banks, halves, when a policy applies.

Rules: the table of kinds is data, and nothing else knows a kind by its name; no heavy library, because everything
imports this module; what is to be known of a word is a fact of its declaration; an addition goes to the end of its
list, because the ledger numbers methods and banks by their place here. The facts are common practice, from memory
(active and pending banks as in DMTF DSP0267); every minute is assumed, none is published.
"""

from __future__ import annotations

from typing import Literal, get_args

from bundlekeeper.frozen import dataclass

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

#: Where an image can be on a part. The last one is the component's file system, which holds any number of images.
Bank = Literal["active", "pending", "spare", "boot_files"]
BANKS: tuple[Bank, ...] = get_args(Bank)
BOOT_FILES: Bank = "boot_files"
ACTIVE: Bank = "active"
SPARE: Bank = "spare"
SINGLE_BANKS: tuple[Bank, ...] = tuple(bank for bank in BANKS if bank != BOOT_FILES)

AppliedBy = Literal["operator", "policy"]
Back = Literal["switch", "pointer", "reinstall", "restore", "none"]
Method = Literal["overwrite", "two-bank", "boot-file"]


@dataclass(frozen=True, slots=True)
class MethodFacts:
    """How a method writes an image: the banks that it can be staged into, the usual one of them, and the way back.

    `over` is the bank that it writes over, None where it adds a file to others. `files` says that it goes into the
    component's file system, with space of its own; `lead` that of a pair it matters which half leads.
    """

    banks: tuple[Bank, ...]
    usual: Bank | None
    back: Back
    over: Bank | None
    files: bool
    lead: bool


METHODS: dict[str, MethodFacts] = {
    # what is overwritten has nowhere to be staged
    "overwrite": MethodFacts((), None, "reinstall", "active", files=True, lead=True),
    "two-bank": MethodFacts(("pending", "spare"), "spare", "switch", "spare", files=False, lead=False),
    "boot-file": MethodFacts(("boot_files", "pending"), "boot_files", "pointer", None, files=True, lead=True),
}
STAGED_METHODS = tuple(method for method, facts in METHODS.items() if facts.banks)


#: What is down while a component restarts.
Down = Literal["manager", "half", "fabric", "path", "controller", "server", "nothing"]
EFFECTS: dict[Down, str] = {
    "manager": "the manager restarts, servers keep running",
    "half": "that half of the fabric is down while it restarts",
    "fabric": "the fabric behind it is down while it restarts",
    "path": "that path is down while it restarts",
    "controller": "the controller restarts, servers keep running",
    "server": "the server restarts",
    "nothing": "nothing restarts",
}
#: What is down of a kind that is one of a pair, and of the same kind where there are no pairs.
HALF: Down = "half"
WHOLE: Down = "fabric"
LAST_TURN = 2
FIRST_TURN = -1  # of what may run ahead: before everything


@dataclass(frozen=True, slots=True)
class KindFacts:
    """How one kind of component takes its image: the defaults, which a manifest overrides by the keys of [kind.NAME].

    `minutes` is for one component and assumed unless a manifest says it.
    """

    method: Method
    applied_by: AppliedBy
    back: Back
    down: Down
    minutes: int
    effect: str = ""  # what `down` means, where it is more than EFFECTS says
    of_server: bool = False  # a part of a server (its parent moves with it)
    pair: bool = False  # usually one of a redundant pair
    in_chassis: bool = False  # is in a chassis, its other half too
    turn: int = LAST_TURN  # the earlier in a server, or in the infrastructure going up, the lower
    ahead: bool = False  # may run ahead of everything at no risk
    lists_models: bool = False  # tells the manager which models exist
    upload: bool = False  # its management service takes a bundle's file as it is; only a manifest knows that
    whole_slot: bool = False  # one without a serial is reported by its whole slot; no kind that comes later has this
    called: tuple[str, ...] = ()  # other names, as headings of sheets have them
    by_name: bool = False  # a column that has only its name as heading holds its version


KINDS: dict[str, KindFacts] = {
    "fabric-switch": KindFacts("boot-file", "operator", "pointer", "half", 45, pair=True, whole_slot=True),
    "domain-manager": KindFacts("overwrite", "operator", "restore", "manager", 30, pair=True, turn=1, whole_slot=True),
    "io-module": KindFacts(
        "two-bank", "operator", "switch", "path", 15, pair=True, in_chassis=True, whole_slot=True, called=("iom",)
    ),
    "port-extender": KindFacts("two-bank", "operator", "switch", "path", 15, pair=True, whole_slot=True),
    "chassis-controller": KindFacts(
        "two-bank", "operator", "switch", "controller", 15, "the chassis controller restarts, servers keep running",
        pair=True, in_chassis=True, whole_slot=True,
    ),
    "model-list": KindFacts(
        "overwrite", "operator", "reinstall", "nothing", 5, ahead=True, lists_models=True, whole_slot=True
    ),
    "bios": KindFacts(
        "two-bank", "policy", "switch", "server", 20, of_server=True, turn=1, called=("uefi",), by_name=True
    ),
    "management-controller": KindFacts(
        "two-bank", "policy", "switch", "controller", 15, "the management controller restarts", of_server=True, turn=0,
        called=("bmc",), by_name=True,
    ),
    "network-adapter": KindFacts(
        "two-bank", "policy", "switch", "server", 10, of_server=True, called=("nic", "network card"),
    ),
    "storage-controller": KindFacts(
        "overwrite", "policy", "reinstall", "server", 10, of_server=True, called=("raid", "raid controller", "hba"),
    ),
    "disk": KindFacts("overwrite", "policy", "none", "server", 10, of_server=True),
    "board-logic": KindFacts(
        "overwrite", "policy", "none", "server", 15, "the server is switched off and on", of_server=True,
        called=("cpld",), by_name=True,
    ),
}  # fmt: skip
