"""What a set must hold, what it lacks, and what goes on which volume."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.findings import Finding
from bundlekeeper.formats import limits
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.manifest_signature import SUFFIX, signature_of
from bundlekeeper.jobs.planning.inputs import InputFiles, read_inputs
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.media.set.plan import Common
    from bundlekeeper.model.media.plan import SetPlan
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
    """The plan, None where nothing can be packed, with every finding and what it was made from."""

    plan: SetPlan | None
    findings: tuple[Finding, ...]
    message: str
    given: Inputs


def make_plan(session: Session, ask: MediaQuestion, *, over: str | None = None) -> MediaAnswer:
    """Make the plan that is asked for; `over` is the file of an older one that it is to replace.

    Raises InputError for words that are not known and for an `over` that is no plan, RefusedError for a manifest that
    the store would not take, UnfinishedError, DamagedError, LockedError.
    """
    from bundlekeeper.media.set.plan import Wish, bunches_of, plan_set, read_spare
    from bundlekeeper.media.set.what_belongs import contents_of, meant_by
    from bundlekeeper.model.media.capacity import parse_supplies
    from bundlekeeper.planning.fleet.domains import Fleet

    if over is not None:
        _insist_on_plan(over)
    wish = Wish(parse_supplies(_some(ask)), read_spare(ask.spare), ask.with_tool)
    given = read_inputs(session, ask.files, bare=True)
    fleet = Fleet(given.manifest, given.inventory)
    meant = meant_by(fleet, ask.name, ask.to)
    contents = contents_of(fleet, meant, given.holdings, given.judged_at)
    rows = _held(session)
    bunches, lacking = bunches_of(session.store, rows, given.manifest, contents)
    commons = commons_of(session, given, ask.files)
    missing = (*contents.missing, *lacking)
    if not bunches:
        return MediaAnswer(None, (*missing, *given.findings), meant.message, given)
    plan, reason = plan_set(_head(given, meant.message, missing), bunches, commons, wish)
    return MediaAnswer(plan, (*missing, *reason, *given.findings), meant.message, given)


def _some(ask: MediaQuestion) -> tuple[str, ...]:
    """The volumes that were named. Raises InputError where the set's purpose or its volumes are not named."""
    lacking = [f"--{word}" for word, value in (("for", ask.name), ("volume", ask.volumes)) if not value]
    if lacking:
        raise InputError(
            f"{' and '.join(lacking)}: not given", hint="bundlekeeper media pack --for holm-a --volume dvd"
        )
    return ask.volumes


def _held(session: Session) -> list[Holding]:
    """What the store holds. Raises InputError where there is no store, DamagedError where it has no database."""
    from bundlekeeper.store.contents.right_now import holdings
    from bundlekeeper.store.contents.store import Store

    if not session.is_there:
        Store.open(session.root, write=False)  # says what is there in its place; nothing is made for a plan
    database = session.database
    if database is None:
        database = session.store.snapshot()  # says that it is missing
    return holdings(session.store, database, session.now())


def _head(given: Inputs, meant_for: str, missing: tuple[Finding, ...]) -> SetPlan:
    from bundlekeeper.model.media.plan import SetPlan

    of = given.manifest
    return SetPlan(of.platform, meant_for, given.manifest_sha256, of.sequence, (), (), missing)


def commons_of(session: Session, given: Inputs, named: InputFiles) -> list[Common]:
    """The manifest and its signature, which every volume carries: the very bytes that the plan was made by.

    Raises InputError for a manifest that cannot be carried, UnfinishedError when it changed or cannot be read.
    """
    from bundlekeeper.media.set.plan import Common
    from bundlekeeper.store.adding.admit_manifest import place_of
    from bundlekeeper.store.signatures.sidecar_files import in_store

    path = place_of(given.manifest.platform, given.manifest.sequence)
    if named.manifest is not None:
        if named.manifest == "-":
            raise InputError("a manifest from stdin cannot be carried", hint="name a file, or take it first")
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


def _insist_on_plan(out: str) -> None:
    """Only an older plan is written over: a manifest is too easily named in its place. Raises InputError."""
    from bundlekeeper.model.media.plan import read_plan

    if out == "-" or not Path(out).exists() or (Path(out).is_file() and not Path(out).stat().st_size):
        return
    try:
        read_plan(read_bounded(out, limits.SET_PLAN_BYTES, "the older plan"), out)
    except InputError as e:
        message = f"that is no plan of a media set, and is not written over, not even with --force: {e.message}"
        raise InputError(message, where=out, hint="name another file with --out") from e
