"""Names that may be one name: serials, slots and sites that differ in case, blanks or leading zeros only.

Rules: this is a warning, never a choice: nothing is made the same; the name that is known, or was first, is offered.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from bundlekeeper.model.inventory.types import Component, Place

Name = tuple[str, str, str]  # what it is of, within which place, the name


def alike(components: Iterable[Component], known: Iterable[Name] = ()) -> list[str]:
    """Each name of these components that is like another one of theirs, or a known one, in words; both are named."""
    first: dict[Name, str] = {}
    for what, within, name in known:
        first.setdefault((what, within, _folded(name)), name)
    found: list[str] = []
    listed = dict.fromkeys(
        name for component in components for name in names(component.place, (component.serial, component.parent))
    )
    for what, within, name in listed:
        other = first.setdefault((what, within, _folded(name)), name)
        if other != name:
            place = f" of {within}" if within else ""
            found.append(
                f"{what} {name!r} and {what} {other!r}{place} differ in case, blanks or leading zeros only; "
                f"did you mean {other!r}?"
            )
    return found


def names(place: Place, serials: Iterable[str | None]) -> Iterator[Name]:
    """The names that a component has: its serial and its server's, its site, its slot in its chassis."""
    for serial in serials:
        if serial:
            yield "serial", "", serial
    yield "site", "", place.site
    slot = (place.slot or "").partition("/")[0]
    if place.chassis and slot:
        yield "slot", Place(place.site, place.domain, place.chassis).path().rpartition("/")[0], slot


def _folded(name: str) -> str:
    return "".join(name.split()).casefold().lstrip("0")
