"""What a check holds files against: the bundles of one manifest, in the words of the catalogue.

Rules: made from a manifest's objects by attribute only; a digest is lower case; what a manifest says about its own
dates and signatures' files comes along, nothing else does; a kept manifest counts only while its bytes are those that
were accepted.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from bundlekeeper.errors import KeeperError
from bundlekeeper.model.findings import Finding, finding
from bundlekeeper.store import files
from bundlekeeper.store.facts import Facts, facts_of
from bundlekeeper.store.layout import MANIFESTS, Store
from bundlekeeper.store.records import Accepted, Held

if TYPE_CHECKING:
    from bundlekeeper.model.manifest import Manifest

_LIMIT = 16 * 1024 * 1024  # bytes; model.manifest.MAX_BYTES, which costs pydantic to import


@dataclass(frozen=True, slots=True)
class Listing:
    """The bundles that should be there. `signatures` are the names of files that may lie beside them."""

    subject: str  # how the manifest is called in a sentence
    facts: tuple[Facts, ...]
    expires: date | None = None
    signatures: frozenset[str] = frozenset()


def listing_of(manifest: Manifest) -> Listing:
    """The listing of a manifest that was read."""
    return Listing(
        f"manifest {manifest.platform} {manifest.sequence}",
        facts_of(manifest),
        manifest.expires,
        frozenset(b.signature.file for b in manifest.bundle if b.signature is not None),
    )


def as_facts(held: Held) -> Facts:
    """What the manifest that a file was taken by says of it, as the catalogue keeps it."""
    return Facts(
        held.family,
        held.version,
        held.name,
        held.size,
        held.sha256,
        held.platform,
        held.sequence,
        held.digest_from,
        held.standing,
        held.why,
        held.build,
        held.images,
        held.released,
    )


def kept(store: Store, accepted: Sequence[Accepted]) -> tuple[Listing, list[Finding]]:
    """The listing of the manifest accepted last, from the copy that the store keeps, and what is wrong with the copy.

    Without one that can be relied on, the listing is empty and a finding says so. Raises UnfinishedError.
    """
    nothing = Listing("no manifest", ())
    if not accepted:
        return nothing, []
    newest = accepted[-1]
    hint = f"take manifest {newest.platform} {newest.sequence} again"
    try:
        with (
            files.wrapped("the kept manifest cannot be read", newest.place),
            files.folder(store.fd, (MANIFESTS,)) as home,
        ):
            data = files.read_bounded(home, newest.place.rpartition("/")[2], _LIMIT)
    except KeeperError as error:
        return nothing, [finding("unreadable", newest.place, error.says, hint)]
    found = hashlib.sha256(data).hexdigest()
    if found != newest.sha256:
        says = f"the kept manifest's SHA-256 is {found}, that of the accepted one was {newest.sha256}"
        return nothing, [finding("altered", newest.place, says, hint)]
    from bundlekeeper.model.reading import read  # costs pydantic

    try:
        return listing_of(read(data, name=newest.place, today=newest.issued).manifest), []
    except KeeperError as error:
        return nothing, [finding("not-checked", newest.place, f"what should be here: {error.says}", error.hint)]
