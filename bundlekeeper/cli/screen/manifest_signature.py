"""Who signed a manifest, for every command that reads one: a line of text, a value in JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output

if TYPE_CHECKING:
    from bundlekeeper.store.signatures.voucher import Ruling


def as_json(ruling: Ruling) -> dict[str, Any]:
    """The ruling as the JSON envelope carries it."""
    return {"state": ruling.word, "by": ruling.signed_by, "fingerprint": ruling.signed_key, "message": ruling.message}


def tell(ruling: Ruling) -> None:
    """One line about a good signature; what is wrong with one is among the findings."""
    if ruling.good:
        output.line(f"manifest {ruling.message}")
