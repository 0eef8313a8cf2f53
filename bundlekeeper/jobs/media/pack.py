"""`bundlekeeper media plan`: what a set must hold, what it lacks, and what goes on which volume."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.options import InventoryOption, JsonOption, ManifestOption, StoreOption, caller, now, store_root
from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.findings import Finding, exit_status, is_ok
from bundlekeeper.formats import limits
from bundlekeeper.jobs.inputs import MANIFEST_LIMIT, read_bounded
from bundlekeeper.jobs.manifest_signature import SUFFIX, SignatureOption, signature_of, tell
from bundlekeeper.jobs.planning.inputs import InputFiles, read_inputs
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.media.set.plan import Common
    from bundlekeeper.model.media.plan import PlannedVolume, SetPlan
    from bundlekeeper.store.contents.store import Store

ForOption = Annotated[
    str, typer.Option("--for", metavar="NAME", help="A domain, a site, or a release that is wanted whole.")
]
ReleaseOption = Annotated[
    str, typer.Option("--to", metavar="RELEASE", help="The release to be reached (default: the newest).")
]
VolumeOption = Annotated[
    list[str] | None,
    typer.Option("--volume", metavar="KIND", help="16GB:fat32, 2x64GB:exfat, dvd, bd-25, 20GiB:folder … Repeatable."),
]
SpareOption = Annotated[str, typer.Option("--spare", metavar="SHARE", help="Leave this much of each volume free.")]
ToolOption = Annotated[bool, typer.Option("--with-tool", help="Keep room for the tool's own folder on each volume.")]


@dataclass(frozen=True, slots=True)
class MediaQuestion:
    """What the user asks for, as the options have it."""

    name: str
    to: str = ""
    volumes: tuple[str, ...] = ()
    spare: str = "0%"
    with_tool: bool = False
    manifest: str | None = None
    inventory: str | None = None
    signature: Path | None = None


@dataclass(frozen=True, slots=True)
class MediaAnswer:
    """The plan, None where nothing can be packed, with every finding and what it was made from."""

    plan: SetPlan | None
    findings: tuple[Finding, ...]
    says: str
    given: Inputs


def plan(
    name: ForOption = "",
    to: ReleaseOption = "",
    volume: VolumeOption = None,
    spare: SpareOption = "0%",
    with_tool: ToolOption = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    out: Annotated[str | None, typer.Option("--out", "-o", metavar="FILE", help="Write the plan here.")] = None,
    force: Annotated[bool, typer.Option("--force", "-f", help="Write over an older plan.")] = False,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """What the set lacks first, then what goes on which volume: fewest volumes, then fewest split files."""
    ask = MediaQuestion(name, to, tuple(volume or ()), spare, with_tool, manifest, inventory, signature)
    if json and out == "-":
        raise InputError("--json and --out - would put two documents on stdout", hint="--out FILE writes to a file")
    if out is not None and force:
        _insist_on_plan(out)
    answer = make_plan(store_root(store), ask)
    written = _write(answer.plan, out, force=force)
    if json:
        output.envelope("media-plan-answer", answer.findings, _as_json(answer, written))
    elif out != "-":
        _print(answer)
        if written:
            output.line(f"written: {written}")
            output.aside(f"next: bundlekeeper media write {written} --to DIR --key KEYFILE")
    return exit_status(answer.findings)


def make_plan(root: Path, ask: MediaQuestion) -> MediaAnswer:
    """Make the plan that is asked for, from the store at `root`.

    Raises InputError for words that are not known, RefusedError for a manifest that the store would not take,
    UnfinishedError, DamagedError, LockedError.
    """
    from bundlekeeper.media.set.plan import Wish, bunches_of, plan_set, read_spare
    from bundlekeeper.media.set.what_belongs import contents_of, meant_by
    from bundlekeeper.model.media.capacity import parse_supplies
    from bundlekeeper.planning.fleet.domains import Fleet

    wish = Wish(parse_supplies(_some(ask)), read_spare(ask.spare), ask.with_tool)
    with Session(root, caller()) as session:
        given = read_inputs(session, InputFiles(ask.manifest, ask.inventory, ask.signature), bare=True)
    fleet = Fleet(given.manifest, given.inventory)
    meant = meant_by(fleet, ask.name, ask.to)
    contents = contents_of(fleet, meant, given.holdings, given.judged_at)
    with ExitStack() as stack:
        from bundlekeeper.jobs.open import open_store
        from bundlekeeper.store.contents.right_now import holdings

        opened = open_store(root, stack, write=False)
        with opened.catalogue(write=False) as catalogue:
            rows = holdings(opened, catalogue, now())
        bunches, lacking = bunches_of(opened, rows, given.manifest, contents)
        commons = commons_of(opened, given, ask)
    missing = (*contents.missing, *lacking)
    if not bunches:
        return MediaAnswer(None, (*missing, *given.findings), meant.says, given)
    made, why = plan_set(_head(given, meant.says, missing), bunches, commons, wish)
    return MediaAnswer(made, (*missing, *why, *given.findings), meant.says, given)


def _some(ask: MediaQuestion) -> tuple[str, ...]:
    """The volumes that were named. Raises InputError where the set's purpose or its volumes are not named."""
    lacking = [f"--{word}" for word, value in (("for", ask.name), ("volume", ask.volumes)) if not value]
    if lacking:
        raise InputError(
            f"{' and '.join(lacking)}: not given", hint="bundlekeeper media plan --for holm-a --volume dvd"
        )
    return ask.volumes


def _head(given: Inputs, meant_for: str, missing: tuple[Finding, ...]) -> SetPlan:
    from bundlekeeper.model.media.plan import SetPlan

    of = given.manifest
    return SetPlan(of.platform, meant_for, given.manifest_sha256, of.sequence, (), (), missing)


def commons_of(store: Store, given: Inputs, ask: MediaQuestion) -> list[Common]:
    """The manifest and its signature, which every volume carries: the very bytes that the plan was made by.

    Raises InputError for a manifest that cannot be carried, UnfinishedError when it changed or cannot be read.
    """
    import hashlib

    from bundlekeeper.jobs.open import kept_manifest
    from bundlekeeper.media.set.plan import Common
    from bundlekeeper.store.adding.accept_manifest import place_of
    from bundlekeeper.store.signatures.sidecar_files import in_store

    path = place_of(given.manifest.platform, given.manifest.sequence)
    if ask.manifest is not None:
        if ask.manifest == "-":
            raise InputError("a manifest from stdin cannot be carried", hint="name a file, or take it first")
        data, source = read_bounded(ask.manifest, MANIFEST_LIMIT, "the manifest"), str(Path(ask.manifest).absolute())
        signed = signature_of(ask.manifest, ask.signature)
        signature_source = str((ask.signature or Path(ask.manifest + SUFFIX)).absolute())
    else:
        kept = kept_manifest(store)
        data, source = (b"" if kept is None else kept[1]), path
        signed, signature_source = in_store(store.fd, path + SUFFIX).data, path + SUFFIX
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
        says = f"that is no plan of a media set, and is not written over, not even with --force: {e.says}"
        raise InputError(says, where=out, hint="name another file with --out") from e


def _write(made: SetPlan | None, out: str | None, *, force: bool) -> str:
    if made is None or out is None:
        return ""
    from bundlekeeper.cli.screen.user_files import write_new
    from bundlekeeper.model.media.plan import write_plan

    return write_new(out, write_plan(made).decode("ascii"), force=force)


def _as_json(answer: MediaAnswer, written: str) -> dict[str, Any]:
    from json import loads

    from bundlekeeper.model.media.plan import write_plan

    whole = None if answer.plan is None else loads(write_plan(answer.plan))
    return {"for": answer.says, **answer.given.about(), "plan": whole, "written": written or None}


def _print(answer: MediaAnswer) -> None:
    tell(answer.given.signature)
    output.line(answer.says)
    output.findings_text(answer.findings)
    if is_ok(answer.findings):
        output.line("nothing is missing")
    if answer.plan is None:
        output.line("nothing can be packed")
        return
    _print_volumes(answer.plan)
    output.line(answer.plan.says)


def _print_volumes(made: SetPlan) -> None:
    from bundlekeeper.reports.tables import Table, write

    table = Table(("volume", "kind", "files", "used", "usable", "fill"), right=frozenset({0, 2, 3, 4, 5}))
    for each in made.volumes:
        files = sum(1 for _ in made.on(each.number))
        table.rows.append((str(each.number), each.kind, str(files), *_fill(each)))
    write(table)
    for each in made.volumes:
        output.line(f"volume {each.number} of {len(made.volumes)}:")
        for file, part in made.on(each.number):
            if not file.file.common and file.file.role == "bundle":
                _print_file(
                    file.file.path.rpartition("/")[2], file.file.split, part.number, len(file.file.parts), part.size
                )


def _print_file(name: str, split: bool, number: int, parts: int, size: int) -> None:
    from bundlekeeper.formats.escape import human_bytes

    output.line(f"  {human_bytes(size):>8}  {name}{f', part {number} of {parts}' if split else ''}")


def _fill(each: PlannedVolume) -> tuple[str, str, str]:
    from bundlekeeper.formats.escape import human_bytes

    taken = each.used + each.reserved
    return human_bytes(each.used), human_bytes(each.usable), f"{taken * 100 // max(1, each.usable)}%"
