"""What readings state of components beyond versions and places, for a few domains, without reading all of a site.

Rules: of a component that several readings list, each fact is the newest one's that states it, back to a reading that
lists its domain whole; a kept text has one component to a line, and only the lines of these domains are read.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Sequence
from datetime import datetime
from typing import Any

from bundlekeeper.errors import DamagedError
from bundlekeeper.formats import moments
from bundlekeeper.ledger.ask.as_inventory import readings
from bundlekeeper.ledger.record.kept_texts import LOAD_HINT
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.model.inventory.types import Component

Domain = tuple[str, str]  # site, domain


def stated(
    ledger: Ledger, domains: Collection[Domain], names: Sequence[str], clock: datetime
) -> dict[str, dict[str, str]]:
    """Texts of the components that readings list in these domains, by component and name; "" is known to be none.

    `clock` is the time now, aware. Raises DamagedError, LockedError, UnfinishedError.
    """
    latest = moments.at(clock + moments.AHEAD).at_us
    found: dict[str, dict[str, str]] = {}
    left = set(domains)
    with ledger.reading():
        for reading in readings(ledger):
            listed = left & {(site, domain) for site, domain, _ in reading.scope}
            if reading.at.at_us > latest or not listed:
                continue
            text = ledger.document(reading.document)
            if text is None:
                message = f"the ledger is damaged: the text of the inventory {reading.document[:12]}… is not in it"
                raise DamagedError(message, hint=LOAD_HINT, where=ledger.where)
            for row in _rows(text, listed):
                facts = found.setdefault(_key(row), {})
                for name in names:
                    if name in row:
                        facts.setdefault(name, _text(row[name]) or "")
            left -= {(site, domain) for site, domain in listed if _is_whole(site, domain, reading.complete)}
    return found


def _rows(text: str, domains: Collection[Domain]) -> Iterator[dict[str, Any]]:
    """The components of a kept text in these domains."""
    marks = {f'"domain": {json.dumps(domain or "-", ensure_ascii=False)}' for _, domain in domains}
    for line in text.split("\n"):
        if any(mark in line for mark in marks):
            row = json.loads(line.rstrip(","))
            if (_text(row.get("site")), _text(row.get("domain"))) in domains:
                yield row


def _is_whole(site: str, domain: str, complete: Collection[str]) -> bool:
    return f"site:{site}" in complete or f"domain:{domain}" in complete


def _key(row: dict[str, Any]) -> str:
    chassis, slot, serial, parent = (_text(row.get(name)) for name in ("chassis", "slot", "serial", "parent"))
    site, domain = _text(row["site"]) or "", _text(row["domain"]) or ""
    return Component(row["kind"], site, domain, chassis, slot, parent, serial=serial).key


def _text(cell: Any) -> str | None:  # noqa: ANN401  (a cell of JSON)
    return "" if cell == "-" else cell
