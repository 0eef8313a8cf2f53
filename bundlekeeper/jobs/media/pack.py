"""What a set must hold, what it lacks, and what goes on which volume."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, KeeperError, UnfinishedError
from bundlekeeper.findings import Finding
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import shell_word
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.manifest_signature import SUFFIX, signature_of
from bundlekeeper.jobs.planning.inputs import InputFiles, read_inputs
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.media.set.packing import Common
    from bundlekeeper.model.media.packing import SetPacking
    from bundlekeeper.store.contents.right_now import Holding


@dataclass(frozen=True, slots=True)
class MediaQuestion:
    """What the user asks for, as the options have it."""

    name: str
    to: str = ""
    volumes: tuple[str, ...] = ()
    spare: str = "0%"
    with_tool: bool = False
    files: InputFiles = field(default_factory=InputFiles)


@dataclass(frozen=True, slots=True)
class MediaAnswer:
    """The packing, None where nothing can be packed, with every finding and what it was made from."""

    packing: SetPacking | None
    findings: tuple[Finding, ...]
    meant_for: str
    given: Inputs


def make_packing(session: Session, ask: MediaQuestion, *, over: str | None = None) -> MediaAnswer:
    """Make the packing that the user asks for; `over` is the file of an older one that it replaces.

    Raises InputError for names that are not known and for an `over` that is no packing, RefusedError for a manifest
    that the store would not admit, UnfinishedError, DamagedError, LockedError.
    """
    from bundlekeeper.media.set.packing import PackingOptions, bunches_of, pack_set, read_spare
    from bundlekeeper.media.set.what_belongs import contents_of, meant_by
    from bundlekeeper.model.media.capacity import parse_supplies
    from bundlekeeper.planning.fleet.domains import Fleet

    if over is not None:
        _insist_on_packing(over)
    wish = PackingOptions(parse_supplies(_some(session, ask)), read_spare(ask.spare), ask.with_tool)
    given = read_inputs(session, ask.files, bare=True)
    fleet = Fleet(given.manifest, given.inventory)
    meant = meant_by(fleet, ask.name, ask.to)
    contents = contents_of(fleet, meant, given.holdings, given.judged_at)
    rows = _stored(session)
    bunches, lacking = bunches_of(session.store, rows, given.manifest, contents)
    commons = commons_of(session, given, ask.files)
    missing = (*contents.missing, *lacking)
    if not bunches:
        return MediaAnswer(None, (*session.judged(missing), *given.findings), meant.phrase, given)
    packing, reason = pack_set(_head(given, meant.phrase, missing), bunches, commons, wish)
    return MediaAnswer(packing, (*session.judged((*missing, *reason)), *given.findings), meant.phrase, given)


def _some(session: Session, ask: MediaQuestion) -> tuple[str, ...]:
    """The volumes that the user named. Raises InputError where the set's purpose or its volumes are not named."""
    lacking = [f"--{word}" for word, value in (("for", ask.name), ("volume", ask.volumes)) if not value]
    if lacking:
        raise InputError(
            f"not given: {' and '.join(lacking)}",
            hint=f"bundlekeeper media pack --for {shell_word(ask.name or _own_domain(session, ask))} --volume dvd",
        )
    return ask.volumes


def _own_domain(session: Session, ask: MediaQuestion) -> str:
    """A domain of the user's own inventory, to be named in a hint; a made-up one where there is none."""
    with suppress(KeeperError):
        components = read_inputs(session, ask.files, bare=True).inventory.components
        return next((component.domain for component in components if component.domain), "DOMAIN")
    return "DOMAIN"


def _stored(session: Session) -> list[Holding]:
    """The bundles in the store. Raises InputError where there is no store, DamagedError where it has no database."""
    from bundlekeeper.store.contents.right_now import holdings
    from bundlekeeper.store.contents.store import Store

    if not session.is_there:
        Store.open(session.root, write=False)  # raises, naming what is there instead; no store is made for a packing
    database = session.database
    if database is None:
        database = session.store.snapshot()  # raises, naming the missing database
    return holdings(session.store, database, session.now())


def _head(given: Inputs, meant_for: str, missing: tuple[Finding, ...]) -> SetPacking:
    from bundlekeeper.model.media.packing import SetPacking

    of = given.manifest
    return SetPacking(of.platform, meant_for, given.manifest_sha256, of.sequence, (), (), missing)


def commons_of(session: Session, given: Inputs, named: InputFiles) -> list[Common]:
    """The manifest and its signature, which every volume carries: the very bytes that the packing was made from.

    Raises InputError for a manifest that cannot be carried, UnfinishedError when it changed or cannot be read.
    """
    from bundlekeeper.media.set.packing import Common
    from bundlekeeper.store.adding.admit_manifest import place_of
    from bundlekeeper.store.signatures.sidecar_files import in_store

    path = place_of(given.manifest.platform, given.manifest.sequence)
    if named.manifest is not None:
        if named.manifest == "-":
            raise InputError(
                "a manifest from stdin cannot be carried",
                hint="name a file, or add it to the store first: bundlekeeper store add MANIFEST --from DIR",
            )
        data, source = (
            read_bounded(named.manifest, limits.MANIFEST_BYTES, "the manifest"),
            str(Path(named.manifest).absolute()),
        )
        signed = signature_of(named.manifest, named.signature)
        signature_source = str((named.signature or Path(named.manifest + SUFFIX)).absolute())
    else:
        data, source = (session.in_force.data if session.in_force is not None else b""), path
        signed, signature_source = in_store(session.store.fd, path + SUFFIX).data, path + SUFFIX
    if hashlib.sha256(data).hexdigest() != given.manifest_sha256:
        raise UnfinishedError("the manifest changed while it was read", where=source, hint="run it again")
    rows = [Common(path, source, data, "manifest")]
    if signed is not None:
        rows.append(Common(path + SUFFIX, signature_source, signed, "manifest-signature"))
    return rows


def _insist_on_packing(out: str) -> None:
    """Raise InputError where `out` is anything but an older packing file: a manifest is too easily named in its
    place."""
    from bundlekeeper.model.media.packing import read_packing

    if out == "-" or not Path(out).exists() or (Path(out).is_file() and not Path(out).stat().st_size):
        return
    try:
        read_packing(read_bounded(out, limits.PACKING_BYTES, "the older packing"), out)
    except InputError as e:
        message = f"this is not a packing file; --force replaces only an older packing file: {e.message}"
        raise InputError(message, where=out, hint="name another file with --out") from e
