"""What the manifest in force says of what is recorded: versions that it does not know, and what its rules refuse.

Rules: all of it is warnings, nothing here refuses; a store without a manifest has none of it; findings that are alike
are one, with a count.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.jobs.session import InForce, Session

if TYPE_CHECKING:
    from datetime import datetime

    from bundlekeeper.ledger.event.events import Event
    from bundlekeeper.model.inventory.types import Component
    from bundlekeeper.planning.fleet.known_versions import KnownVersions

Cell = tuple[str, str, str]  # the component, its kind, a version


def known_versions(session: Session) -> KnownVersions | None:
    """The versions that the manifest in force knows; None where there is no manifest. Raises as `Session.in_force`."""
    if session.manifest is None:
        return None
    from bundlekeeper.planning.fleet.known_versions import KnownVersions
    from bundlekeeper.planning.fleet.manifest_index import ManifestIndex

    return KnownVersions(ManifestIndex(session.manifest))


def of_components(session: Session, components: Iterable[Component]) -> list[Finding]:
    """The versions of an inventory's components that no manifest knows. Raises as `Session.in_force`."""
    known = known_versions(session)
    if known is None or session.in_force is None:
        return []
    cells = [(c.key, c.kind, version) for c in components for version in _versions(c) if version]
    return _unknown(session.in_force, known, cells, lambda keys: counted(len(keys), "cell"))


def _versions(component: Component) -> set[str | None]:
    banks = (component.active, component.pending, component.spare, component.staged)
    return {*banks, *(component.boot_files or ())}


def of_events(session: Session, events: Sequence[Event], variants: Mapping[str, str]) -> list[Finding]:
    """What is to be said of events before they are recorded; `variants` are those of bundles by SHA-256.

    Raises as `Session.in_force` and `where`.
    """
    known = known_versions(session)
    if known is None or session.in_force is None:
        return []
    cells = []
    for event in events:
        stated = {event.version, event.seen.active, event.seen.pending, event.seen.spare, event.seen.staged}
        cells += [(event.component, event.kind, version) for version in stated if version]
    found = _unknown(session.in_force, known, cells, lambda keys: some(list(dict.fromkeys(keys)), 3))
    return found + _against_rules(session, session.in_force, events, variants)


def _unknown(
    in_force: InForce, known: KnownVersions, cells: Iterable[Cell], named: Callable[[Sequence[str]], str]
) -> list[Finding]:
    alike: dict[str, list[Cell]] = {}
    for cell in cells:
        if not known.is_known(cell[1], cell[2]):
            alike.setdefault(cell[2], []).append(cell)
    name = Path(in_force.admitted.place).name
    findings = []
    for version, rows in alike.items():
        near = dict.fromkeys(
            text for kind in dict.fromkeys(row[1] for row in rows) if (text := known.near(kind, version))
        )
        message = f'"{version}" is no version of {name}{f"; {some(list(near), 3)}?" if near else ""}'
        hint = "if it exists and is no bundle there: add it to known under [versions] of the manifest"
        findings.append(finding("version-unknown", named([row[0] for row in rows]), message, hint))
    return findings


def _against_rules(
    session: Session, in_force: InForce, events: Sequence[Event], variants: Mapping[str, str]
) -> list[Finding]:
    from bundlekeeper.ledger.event.events import EventKind

    manifest = in_force.manifest
    put = [event for event in events if event.what in (EventKind.STAGED, EventKind.ACTIVATED)]
    domains = {(e.place.site, e.place.domain) for e in put if e.place and e.place.site and e.place.domain}
    if not domains or not (manifest.jump or manifest.compatible or any(variants.values())):
        return []
    from bundlekeeper.model.inventory.types import Inventory
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.gaps.recorded import RecordedWork, against_rules

    now = session.now()
    fleet = Fleet(manifest, Inventory(now, "UTC", tuple(_components(session, domains, now))))
    work = [RecordedWork(e.component, e.version, e.bundle, variants.get(e.sha256, "")) for e in put]
    return against_rules(fleet, work, staged=put[0].what is EventKind.STAGED)


def _components(session: Session, domains: Collection[tuple[str, str]], now: datetime) -> Iterator[Component]:
    """What rules need to know of everything in these domains: less than a whole inventory, and quicker."""
    from bundlekeeper.ledger.ask.stated import stated
    from bundlekeeper.ledger.ask.types import Selector
    from bundlekeeper.ledger.ask.where import where
    from bundlekeeper.model.inventory.types import Component

    sites, names = (tuple({domain[place] for domain in domains}) for place in (0, 1))
    facts = stated(session.ledger, domains, ("variant", "pair"), now)
    for answer in where(session.ledger, Selector(site=sites, domain=names), clock=now):
        place = answer.place
        site, domain = (place.site or "", place.domain or "") if place else ("", "")
        if place is None or (site, domain) not in domains:
            continue
        known = facts.get(answer.component, {})
        yield Component(
            answer.kind, site, domain, place.chassis, place.slot, answer.parent or None, answer.model or None,
            serial=answer.component, active=answer.active.version if answer.active else None,
            staged=answer.staged.version if answer.staged else None,
            variant=known.get("variant"), pair=known.get("pair"),
        )  # fmt: skip
