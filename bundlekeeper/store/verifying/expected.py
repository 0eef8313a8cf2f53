"""What `verify` compares files with: the bundles of one manifest, in the words of the store database.

Rules: made from a manifest's objects by attribute only; a digest is lower case; only the manifest's own dates and its
signatures' files come along; a kept manifest counts only while its bytes are those that were admitted; a manifest that
was read once need not be parsed again (`listing_cache`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import field, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import DamagedError, KeeperError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.lint import but_of_bundles
from bundlekeeper.store.contents import listing_cache
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database import kept_manifests
from bundlekeeper.store.database.bundle_facts import facts_of
from bundlekeeper.store.database.rows import Admitted, BundleFacts, Stated, StoredBundle

if TYPE_CHECKING:
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.model.manifest.types import Manifest
    from bundlekeeper.planning.fleet.version_scale import OrderOfKinds


@dataclass(slots=True)
class ExpectedFile:
    """One bundle that should be there; `place` is its path inside a store, `size` in bytes."""

    family: str
    version: str
    name: str
    place: str
    size: int
    sha256: str
    platform: str
    sequence: int
    digest_from: str
    lifecycle: str
    reason: str
    released: date | None = None
    signature: Stated | None = None


#: A bundle that should be there, by a manifest or by its row in the store database.
Expected = ExpectedFile | StoredBundle


@dataclass(frozen=True, slots=True)
class Listing:
    """The bundles that should be there. `signatures` are the names of files that may be beside them.

    `subject` names the manifest in a sentence; `problems` are the warnings and notes of reading it; `orders` are those
    of its versions.
    """

    subject: str
    bundles: tuple[ExpectedFile, ...]
    expires: date | None = None
    signatures: frozenset[str] = frozenset()
    problems: tuple[Finding, ...] = ()
    issued: date = date.min
    orders: OrderOfKinds = field(default_factory=dict)


NOTHING = Listing("no manifest", ())
_ALONE = "the files were judged by the store database alone"


def listed(facts: BundleFacts) -> ExpectedFile:
    """A bundle's facts as `verify` needs them."""
    return ExpectedFile(
        facts.family,
        facts.version,
        facts.name,
        facts.place,
        facts.size,
        facts.sha256,
        facts.platform,
        facts.sequence,
        facts.digest_from,
        facts.lifecycle,
        facts.reason,
        facts.released,
        facts.signature,
    )


def as_facts(expected: Expected) -> BundleFacts:
    """The facts by which a file is put into quarantine."""
    images, released, variant = (), None, ""
    return BundleFacts(
        expected.family,
        expected.version,
        expected.name,
        expected.size,
        expected.sha256,
        expected.platform,
        expected.sequence,
        expected.digest_from,
        expected.lifecycle,
        expected.reason,
        variant,
        images,
        released,
    )


def listing_of(manifest: Manifest, problems: Sequence[Finding] = ()) -> Listing:
    """The listing of a manifest that was read. Raises InputError for a name that is unsafe."""
    from bundlekeeper.planning.fleet.version_scale import orders_of

    return Listing(
        f"manifest {manifest.platform} {manifest.sequence}",
        tuple(listed(bundle) for bundle in facts_of(manifest)),
        manifest.expires,
        frozenset(bundle.signature.file for bundle in manifest.bundle if bundle.signature is not None),
        tuple(problems),
        manifest.issued,
        orders_of(manifest),
    )


def read_listing(data: bytes, *, name: str, today: date, store: Store | None) -> Listing:
    """The listing of a manifest's bytes; `name` names the file in problems.

    The listing that `store` keeps of these very bytes is used, and a new one is kept there where it can be written.
    Raises InputError, with all problems, when the manifest has errors.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    if store is not None:
        with suppress(KeyError, TypeError, ValueError):  # nothing is kept, or nothing that we wrote
            return _from_document(listing_cache.load(store, sha256), name)
    from bundlekeeper.model.lint.read_manifest import read  # costs pydantic

    return keep_listing(store, read(data, name=name, today=today), name)


def keep_listing(store: Store | None, loaded: Loaded, name: str) -> Listing:
    """The listing of a manifest that was read, kept in the store where that can be written. Raises as `listing_of`."""
    # Whether a manifest is past its date depends on the day; `verify` itself reports it.
    listing = listing_of(loaded.manifest, but_of_bundles(p for p in loaded.problems if p.code != "expired"))
    if store is not None and store.writable:
        listing_cache.save(store, loaded.sha256, _as_document(listing, name))
    return listing


def _as_document(listing: Listing, name: str) -> dict[str, Any]:
    """A JSON value of the listing; problems are placed without the file's name, which may be another next time."""
    problems = [
        [p.code, p.level.value, p.subject, p.message, p.hint, p.where.removeprefix(name), p.excerpt]
        for p in listing.problems
    ]
    return {
        "subject": listing.subject,
        "issued": listing.issued.isoformat(),
        "expires": listing.expires.isoformat() if listing.expires else None,
        "signatures": sorted(listing.signatures),
        "bundles": [_as_row(expected) for expected in listing.bundles],
        "problems": problems,
        "orders": listing.orders,
    }


def _as_row(expected: ExpectedFile) -> list[Any]:
    *plain, released, stated = (getattr(expected, field) for field in ExpectedFile.__slots__)
    signature = [stated.file, stated.form, stated.key] if stated is not None else None
    return [*plain, released.isoformat() if released else None, signature]


def _from_row(row: list[Any]) -> ExpectedFile:
    *plain, released, signature = row
    stated = Stated(*signature) if signature is not None else None
    rest: tuple[Any, ...] = (date.fromisoformat(released) if released else None, stated)
    return ExpectedFile(*plain, *rest)


def _from_document(document: Any, name: str) -> Listing:  # noqa: ANN401 - any JSON value
    """The listing again. Raises KeyError, TypeError or ValueError for what is no such document."""
    problems = (Finding(code, Level(level), *rest) for code, level, *rest in document["problems"])
    return Listing(
        document["subject"],
        tuple(_from_row(row) for row in document["bundles"]),
        date.fromisoformat(document["expires"]) if document["expires"] else None,
        frozenset(document["signatures"]),
        tuple(replace(p, where=f"{name}{p.where}") for p in problems),
        date.fromisoformat(document["issued"]),
        {kind: order and (order[0], tuple(order[1])) for kind, order in document["orders"].items()},
    )


def kept(store: Store, admitted: Sequence[Admitted]) -> tuple[Listing | None, list[Finding]]:
    """The listing of the manifest admitted last, from the copy that the store keeps, and what is wrong with the copy.

    None where there is none that can be relied on; where there should be one, a finding reports it. Raises nothing.
    """
    if not admitted:
        return None, []
    newest = admitted[-1]
    hint = f"add manifest {newest.platform} {newest.sequence} again: bundlekeeper store add"
    try:
        data = kept_manifests.bytes_of(store.fd, newest)
    except DamagedError as error:
        return None, [finding("altered", newest.place, f"{error.message}; {_ALONE}", hint)]
    except KeeperError as error:
        return None, [finding("unreadable", newest.place, f"{error.message}; {_ALONE}", hint)]
    try:
        return read_listing(data, name=newest.place, today=newest.issued, store=store), []
    except KeeperError as error:
        message = f"the manifest cannot be read: {error.message}; {_ALONE}"
        return None, [finding("not-checked", newest.place, message, error.hint)]
