"""Which ledger a command uses: `--ledger-at ADDRESS` and `--offline`, with any command that has `--store`."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from bundlekeeper.errors import InputError

if TYPE_CHECKING:
    from bundlekeeper.jobs.shared.which_ledger import SharedAt

_OPTION = "--ledger-at"


class LedgerWords(NamedTuple):
    """What the command line says of the ledger: an address ("" for none), and whether the store's own is meant."""

    address: str = ""
    offline: bool = False


LEDGER_AT: ContextVar[LedgerWords | None] = ContextVar("LEDGER_AT", default=None)


def without_ledger_words(words: list[str]) -> tuple[list[str], LedgerWords]:
    """The words without these options, and what they say. Raises InputError for words that do not go together."""
    end = words.index("--") if "--" in words else len(words)
    rest: list[str] = []
    addresses: list[str] = []
    offline = False
    waiting = iter(words[:end])
    for word in waiting:
        if word == _OPTION or word.startswith(f"{_OPTION}="):
            address = word.partition("=")[2] if "=" in word else next(waiting, "")
            if not address or address.startswith("-"):
                raise InputError(f"{_OPTION} needs an address", hint=f"{_OPTION} postgresql://HOST/DATABASE")
            addresses.append(address)
        elif word == "--offline":
            offline = True
        else:
            rest.append(word)
    if len(addresses) > 1:
        raise InputError(f"{_OPTION} is given twice", hint="one command uses one ledger")
    for address in addresses:
        from bundlekeeper.model.ledger_address import insist_on_address

        insist_on_address(address)
    return rest + words[end:], LedgerWords(addresses[0] if addresses else "", offline)


def shared_at(environment: Mapping[str, str]) -> SharedAt:
    """The same for a session, with the folder of copies: the user's caches, as the XDG Base Directory rules have it."""
    from bundlekeeper.jobs.shared.which_ledger import SharedAt

    base = environment.get("XDG_CACHE_HOME", "")
    folder = Path(base) if base.startswith("/") else Path("~/.cache").expanduser()
    words = LEDGER_AT.get() or LedgerWords()
    return SharedAt(words.address, words.offline, folder / "bundlekeeper")


def ledger_at() -> SharedAt:
    """The same, for this process. Raises nothing."""
    return shared_at(os.environ)
