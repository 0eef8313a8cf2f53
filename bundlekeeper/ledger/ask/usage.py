"""Which images components have now, by kind and model, and what for: counted, without a look at each component.

Rules: an image that is staged is not previous too; the counts are those of two indexes that agree.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum

from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.event.places import by_place
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.state.fold import OPEN

_COLUMNS = "kind, model, active, pending, spare, staged"
_BOOT_FILES = (
    "SELECT kind, model, active, staged, image, count(*) FROM boot_files, state "
    "WHERE state.component = boot_files.component AND state.until = ? AND present = 1 AND boot_files.until = ? "
    "GROUP BY kind, model, active, staged, image"
)


class ImageUse(StrEnum):
    """What a component has an image for."""

    ACTIVE = "active"
    STAGED = "staged"
    PREVIOUS = "previous"


@dataclass(frozen=True, slots=True)
class ImageUsed:
    """An image on `count` components of a kind and model; `family` and `bundle` are empty where no event names them."""

    use: ImageUse
    kind: str
    model: str
    version: str
    family: str
    bundle: str
    count: int


def images_used(ledger: Ledger) -> list[ImageUsed]:
    """Every image that is on a component now. Raises DamagedError, LockedError, UnfinishedError."""
    with ledger.reading():
        rows = by_place(ledger.connection, _COLUMNS, "until = ? AND present = 1", (OPEN,), "count(*)")
        found = [used for row in rows for used in _of_banks(*row)]
        for kind, model, active, staged, image, count in ledger.connection.execute(_BOOT_FILES, (OPEN, OPEN)):
            if image not in (active, staged):
                found.append((ImageUse.PREVIOUS, kind, model, image, count))
        text = ledger.words.maybe
        used = []
        for use, kind, model, image, count in found:
            version, family, bundle, _ = (text(number) or "" if number else "" for number in ledger.images.image(image))
            used.append(ImageUsed(use, text(kind) or "", text(model) or "", version, family, bundle, count))
    return used


_Counted = tuple[ImageUse, int | None, int | None, int, int]


def _of_banks(
    kind: int | None, model: int | None, active: int, pending: int, spare: int, staged: int, count: int
) -> Iterator[_Counted]:
    to_run = {image for image in (pending, staged) if image}
    if active:
        yield ImageUse.ACTIVE, kind, model, active, count
    yield from ((ImageUse.STAGED, kind, model, image, count) for image in to_run)
    if spare and spare not in to_run and spare != active:
        yield ImageUse.PREVIOUS, kind, model, spare, count
