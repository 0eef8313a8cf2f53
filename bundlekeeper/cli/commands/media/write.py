"""`bundlekeeper media write`: a planned set onto volumes, proven from the medium; images, labels, the tool."""

from __future__ import annotations

import hashlib
import os
import tempfile
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bundlekeeper.cli.commands.take import DryRunOption
from bundlekeeper.cli.options import (
    InventoryOption,
    JsonOption,
    ManifestOption,
    QuietOption,
    StoreOption,
    caller,
    now,
    progress_for,
    store_root,
)
from bundlekeeper.cli.screen.media import written as written_text
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import InputError, KeeperError
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.manifest_signature import SignatureOption
from bundlekeeper.jobs.media import pack as plan_media
from bundlekeeper.jobs.media.index_signer import kept_of, signer_of
from bundlekeeper.jobs.media.pack import SpareOption, VolumeOption
from bundlekeeper.jobs.open import manifest_in_force, open_book, open_store

if TYPE_CHECKING:
    from bundlekeeper.findings import Finding
    from bundlekeeper.media.volume.right_medium import Expectation
    from bundlekeeper.media.volume.tag_files import SignedIndex
    from bundlekeeper.media.writing.write import WriteMeans, WriteOrder, WriteTarget
    from bundlekeeper.model.media.plan import SetPlan
    from bundlekeeper.store.contents.store import Store

_PAGE, _PAGE_LIMIT = b"<!doctype html>", 64 * 1024 * 1024  # how a page begins, and bytes of one at most
_PLAN_LIMIT = 32 * 1024 * 1024  # bytes; model.media_plan.MAX_PLAN_BYTES


@dataclass(frozen=True, slots=True)
class WriteWanted:
    """Everything that the options ask for, beside the plan."""

    to: tuple[str, ...]
    only: tuple[int, ...]
    sha512: bool
    with_tool: bool
    iso: Path | None
    label: str
    expected: Expectation


def write(
    plan: Annotated[str | None, typer.Argument(metavar="[PLAN]", help="What media plan --out wrote.")] = None,
    to: Annotated[
        list[str] | None,
        typer.Option("--to", metavar="[N=]DIR", help="Where to; again for copies, N=DIR for volume N alone."),
    ] = None,
    only: Annotated[list[int] | None, typer.Option("--only", metavar="N", help="Only volume N. Repeatable.")] = None,
    key: Annotated[
        Path | None, typer.Option("--key", metavar="FILE", help="Private key that signs the set's index.")
    ] = None,
    passphrase_fd: Annotated[
        int | None, typer.Option("--passphrase-fd", min=0, metavar="N", help="Read the passphrase from here.")
    ] = None,
    also: Annotated[str, typer.Option("--also", metavar="sha512", help="A second list of checksums.")] = "",
    with_tool: Annotated[bool, typer.Option("--with-tool", help="Carry bundlekeeper itself, as wheels.")] = False,
    iso: Annotated[
        Path | None, typer.Option("--iso", metavar="FILE", help="Make disc images; with several, FILE-NofM.")
    ] = None,
    label: Annotated[str, typer.Option("--label", metavar="FILE", help="Write a page of labels (HTML).")] = "",
    notice: Annotated[bool, typer.Option("--notice", help="A set of withdrawals alone, in place of a plan.")] = False,
    must_be_mount: Annotated[
        bool | None,
        typer.Option("--must-be-mount/--no-must-be-mount", help="Only a mounted medium / a plain folder, too."),
    ] = None,
    volume_id: Annotated[
        list[str] | None, typer.Option("--volume-id", metavar="ID", help="The medium's UUID or label must be this.")
    ] = None,
    name: Annotated[str, typer.Option("--for", metavar="NAME", help="In place of PLAN: as for media plan.")] = "",
    release: Annotated[str, typer.Option("--release", metavar="RELEASE", help="As media plan's --to.")] = "",
    volume: VolumeOption = None,
    spare: SpareOption = "0%",
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    dry_run: DryRunOption = False,
    store: StoreOption = None,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Write a planned set: each bundle is read once for all targets, and each volume is proven from its medium.

    Interrupted, the same command goes on: what is whole on a volume is not written again.
    """
    from bundlekeeper.media.volume.right_medium import Expectation

    root = store_root(store)
    ask = plan_media.MediaQuestion(name, release, tuple(volume or ()), spare, with_tool, manifest, inventory, signature)
    _insist_on_one(plan, ask, notice=notice)
    if also not in ("", "sha512"):
        raise InputError(f"--also {also}: not a list that is made", hint="--also sha512")
    expected = Expectation(must_be_mount, tuple(volume_id or ()))
    wanted = WriteWanted(tuple(to or ()), tuple(only or ()), also == "sha512", with_tool, iso, label, expected)
    made = _plan(root, plan, ask, notice=notice, keep=not dry_run)
    if dry_run:
        with ExitStack() as stack:
            opened = open_store(root, stack, write=False)
            since = _since(opened, made, kept_of(opened, made))
        return written_text.tell_foreseen(root, made, _order(wanted, {}), iso, since, json=json)
    return _Run(root, made, wanted, key, passphrase_fd, quiet=quiet).run(json=json)


def _insist_on_one(plan: str | None, ask: plan_media.MediaQuestion, *, notice: bool) -> None:
    """One of the three ways to say what is to go out."""
    ways = [plan is not None, bool(ask.name or ask.volumes), notice]
    if sum(ways) != 1:
        raise InputError(
            "what is to be written: one of a plan's file, --for with --volume, and --notice",
            hint="bundlekeeper media plan --for holm-a --volume 16GB:fat32 --out PLAN.json",
        )


def _plan(root: Path, plan: str | None, ask: plan_media.MediaQuestion, *, notice: bool, keep: bool) -> SetPlan:
    if plan is not None:
        from bundlekeeper.model.media.plan import read_plan

        data = read_bounded(plan, _PLAN_LIMIT, "the plan")
        if not data.lstrip().startswith(b"{"):
            hint = "bundlekeeper media plan --for NAME --volume KIND --out PLAN.json makes one"
            raise InputError("this is no plan of a media set", where=plan, hint=hint)
        return read_plan(data, plan)
    if notice:
        return _notice(root, ask, keep=keep)
    answer = plan_media.make_plan(root, ask)
    if answer.plan is None:
        raise InputError("nothing can be packed", hint="bundlekeeper media plan says more", problems=answer.findings)
    return answer.plan


def _notice(root: Path, ask: plan_media.MediaQuestion, *, keep: bool) -> SetPlan:
    """The plan of a set of withdrawals: the manifest, its signature and the notice."""
    from bundlekeeper.jobs.planning.inputs import InputFiles, read_inputs
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.media.set.notice_plan import notice_plan

    with Session(root, caller()) as session:
        given = read_inputs(session, InputFiles(ask.manifest, ask.inventory, ask.signature), bare=True)
    with ExitStack() as stack:
        opened = open_store(root, stack, write=keep)
        commons = plan_media.commons_of(opened, given, ask)
        return notice_plan(opened, given.manifest, given.manifest_sha256, commons, keep=keep)


def _since(opened: Store, plan: SetPlan, kept: SignedIndex | None) -> tuple[Finding, ...]:
    """What the manifest in force says of the plan. Raises RefusedError for what was withdrawn since it was made."""
    from bundlekeeper.media.set.still_in_force import hold_against

    return hold_against(plan, manifest_in_force(opened), signed=kept is not None)


def _targets(to: tuple[str, ...]) -> tuple[WriteTarget, ...]:
    from bundlekeeper.media.writing.write import WriteTarget

    found = []
    for each in to:
        number, equals, path = each.partition("=")
        alone = bool(equals and number.isascii() and number.isdecimal() and len(number) < 7)
        if not (path if alone else each):
            raise InputError(f"--to {each}: no folder is named", hint="--to N=DIR; the current folder is --to N=.")
        found.append(WriteTarget(Path(path), int(number)) if alone else WriteTarget(Path(each)))
    return tuple(found)


def _order(wanted: WriteWanted, tool: dict[str, Path]) -> WriteOrder:
    from bundlekeeper.media.writing.write import WriteOrder

    return WriteOrder(_targets(wanted.to), wanted.only, wanted.sha512, wanted.expected, tool)


class _Run:
    """One writing of a set: targets first, then images, then the labels; what was done is told, whatever fails then."""

    def __init__(
        self,
        root: Path,
        plan: SetPlan,
        wanted: WriteWanted,
        key: Path | None,
        passphrase_fd: int | None,
        *,
        quiet: bool,
    ) -> None:
        self._root, self._plan, self._wanted = root, plan, wanted
        self._key, self._passphrase_fd, self._quiet = key, passphrase_fd, quiet

    def run(self, *, json: bool) -> int:
        from bundlekeeper.media.writing.write import WriteMeans
        from bundlekeeper.verification.hashing.read import Stop

        if not self._wanted.to and self._wanted.iso is None:
            raise InputError("no target was named", hint="--to DIR, --to N=DIR for one volume, or --iso FILE")
        self._insist_on_label(json=json)
        stop = Stop()
        with ExitStack() as stack:
            opened = open_store(self._root, stack, write=True)
            with open_book(opened, stack, write=True) as book:
                head = book.head()
            kept = kept_of(opened, self._plan)
            since = _since(opened, self._plan, kept)
            signer = signer_of(kept, self._key, self._passphrase_fd)
            tool = self._tool(stack)
            stack.enter_context(SIGNALS.guarded(stop))
            means = WriteMeans(now, progress_for(self._quiet), signer.sign, head, stop)
            told = self._write(opened, means, tool)
        told = replace(told, fingerprint=signer.fingerprint, since=since)
        return written_text.tell(told, json=json)

    def _write(self, opened: Store, means: WriteMeans, tool: dict[str, Path]) -> written_text.WrittenReport:
        from bundlekeeper.media.writing.write import write_set
        from bundlekeeper.media.writing.write_images import ImageOrder, insist_on_paths, write_images

        wanted = self._wanted
        images = None
        if wanted.iso is not None:
            images = ImageOrder(wanted.iso, wanted.only, wanted.sha512, tool)
            insist_on_paths(opened, self._plan, images)
        written = write_set(opened, self._plan, _order(wanted, tool), means) if wanted.to else None
        told = written_text.WrittenReport(self._plan, written, None, "")
        try:
            if images is not None:
                imaged = write_images(opened, self._plan, images, means)
                told = replace(told, imaged=imaged, error=imaged.error)
            return replace(told, label=self._label(opened))
        except KeeperError as e:
            if told.written is None and told.imaged is None:
                raise
            return replace(told, error=told.error or e)

    def _tool(self, stack: ExitStack) -> dict[str, Path]:
        if not (self._wanted.with_tool or self._plan.with_tool):
            return {}
        from bundlekeeper.media.volume.own_wheels import pack

        packed = pack(Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="bundlekeeper-"))))
        return dict(packed.files)

    def _insist_on_label(self, *, json: bool) -> None:
        """An older page may be replaced, anything else not; told before hours of writing."""
        from bundlekeeper.media.volume.right_medium import insist_outside

        name, path = self._wanted.label, Path(self._wanted.label or "-")
        if name == "-" and json:
            says = "--json and --label - would put two documents on stdout"
            raise InputError(says, hint="--label FILE writes to a file")
        if name in ("", "-"):
            return
        insist_outside(path, self._root)
        if path.is_dir() or not path.parent.is_dir():
            says = "a folder, not a file" if path.is_dir() else "there is no folder for the page of labels"
            raise InputError(says, where=name, hint="--label FILE, in a folder that is there")
        if not os.access(path.parent, os.W_OK | os.X_OK):
            raise InputError("the page of labels cannot be written there", where=name, hint="name another folder")
        if path.exists() and not read_bounded(name, _PAGE_LIMIT, "the page of labels").startswith(_PAGE):
            raise InputError("that is no page of labels, and is not written over", where=name, hint="--label FILE")

    def _label(self, opened: Store) -> str:
        if not self._wanted.label:
            return ""
        from bundlekeeper.cli.screen.user_files import write_new
        from bundlekeeper.reports.labels import page

        kept = kept_of(opened, self._plan)
        if kept is None:
            return ""
        text = page(kept.index, hashlib.sha256(kept.data).hexdigest())
        return write_new(self._wanted.label, text, force=True)
