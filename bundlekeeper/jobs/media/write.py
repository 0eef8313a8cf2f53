"""Writes a packed set: checks what goes out with the store, then writes targets, images and labels.

Rules: everything that can be refused is refused before the first byte; what was done is reported, whatever fails later;
an index is signed once, so where it was signed before, a key that is given must be the same one.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import EXIT_FOUND, InputError, KeeperError, worst_exit
from bundlekeeper.findings import exit_status
from bundlekeeper.formats import limits
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.media.pack import MediaQuestion, commons_of, make_packing
from bundlekeeper.jobs.planning.inputs import InputFiles, read_inputs
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.findings import Finding
    from bundlekeeper.ledger.event.chain import Head
    from bundlekeeper.media.set.records import Sent
    from bundlekeeper.media.set.signed_index import Sign
    from bundlekeeper.media.volume.tag_files import SignedIndex
    from bundlekeeper.media.writing.dry_run import DryRunVolume
    from bundlekeeper.media.writing.write import WriteMeans, WriteOrder, WriteTarget, Written
    from bundlekeeper.media.writing.write_images import Imaged
    from bundlekeeper.model.media.packing import SetPacking
    from bundlekeeper.model.stop import Stop
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.verification.signatures.sign import Passphrase

#: Writes a page of labels to the file of this name, or to stdout for `-`; returns the file's name, empty for stdout.
SavePage = Callable[[str, str], str]

_PAGE = b"<!doctype html>"  # how a page of labels begins


@dataclass(frozen=True, slots=True)
class WriteRequest:
    """Everything that the user asks for.

    What goes out is one of `packing` (a packing file), `ask` and `notice`; `to` are targets, each a folder or N=folder;
    `only` are numbers of volumes, all where empty; `also` is a second algorithm of checksums, `label` the page's file
    (- is stdout), `plan` a kept plan that goes out with it.
    """

    packing: str | None
    notice: bool
    ask: MediaQuestion
    to: tuple[str, ...] = ()
    only: tuple[int, ...] = ()
    must_be_mount: bool | None = None
    volume_ids: tuple[str, ...] = ()
    also: str = ""
    with_tool: bool = False
    iso: Path | None = None
    label: str = ""
    key: Path | None = None
    plan: str | None = None


@dataclass(frozen=True, slots=True)
class DryRunReport:
    """What would be written where: each target's volumes, the images as volume and bytes; `since` as in
    `WrittenReport`."""

    root: Path
    packing: SetPacking
    rows: tuple[DryRunVolume, ...]
    images: tuple[tuple[int, int], ...]
    since: tuple[Finding, ...]

    @property
    def findings(self) -> list[Finding]:
        """What the set lacks, then what was found."""
        return [*self.packing.missing, *self.since, *(volume.finding for volume in self.rows if volume.short)]


@dataclass(frozen=True, slots=True)
class ReadyToWrite:
    """What was checked before the first byte is written."""

    request: WriteRequest
    packing: SetPacking
    head: Head
    since: tuple[Finding, ...]
    signer: Signer


@dataclass(frozen=True, slots=True)
class WrittenReport:
    """The result of one command. `fingerprint` is that of the key that signed the index, `since` the findings by the
    manifest in force about an older packing, `error` what ended the work after volumes were written."""

    packing: SetPacking
    written: Written | None
    imaged: Imaged | None
    label: str = ""
    fingerprint: str = ""
    since: tuple[Finding, ...] = ()
    error: KeeperError | None = None

    @property
    def sent(self) -> Sent:
        """The set's record as it is now."""
        return next(part.sent for part in (self.imaged, self.written) if part is not None)

    @property
    def name(self) -> str:
        """The set's name."""
        return next(part.name for part in (self.imaged, self.written) if part is not None)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the set lacks, then what was found."""
        images = () if self.imaged is None else self.imaged.images
        return (
            *self.packing.missing,
            *self.since,
            *(self.written.findings if self.written is not None else ()),
            *(self.imaged.findings if self.imaged is not None else ()),
            *(finding for _, image in images for finding in (*image.findings, *image.beside)),
        )

    @property
    def failed(self) -> list[tuple[int, str]]:
        """The volumes and images that this run could not finish or verify."""
        copies = () if self.written is None else self.written.copies
        images = () if self.imaged is None else self.imaged.images
        failed = [(copy.volume, copy.path) for copy in copies if copy.state == "failed"]
        return failed + [(number, image.path) for number, image in images if image.findings]

    @property
    def status(self) -> int:
        """The exit status."""
        bad = any(image.findings for _, image in self.imaged.images) if self.imaged is not None else False
        written = self.written.status if self.written is not None else 0
        ended = self.error.exit_code if self.error is not None else 0
        return worst_exit([exit_status(self.findings), written, EXIT_FOUND if bad else 0, ended])


def dry_run_write(session: Session, request: WriteRequest) -> DryRunReport:
    """Find out what would be written where; nothing is changed.

    Raises InputError, RefusedError and UnfinishedError as writing would, for targets that cannot be used.
    """
    from bundlekeeper.media.volume.right_medium import insist_outside
    from bundlekeeper.media.writing.dry_run import dry_run

    _insist_on_no_release(session, request.to)
    packing = _with_plan(session, request, _packing(session, request))
    since = _since(session, packing, _kept_of(session.store, packing))
    order = _order(request, {})
    for path in (*(target.path for target in order.targets), *([request.iso] if request.iso is not None else [])):
        insist_outside(path, session.root)
    rows = dry_run(packing, order) if order.targets or request.iso is None else ()
    numbers = [n for n in range(1, len(packing.volumes) + 1) if not order.only or n in order.only]
    images = (
        [(number, sum(part.size for _, part in packing.on(number))) for number in numbers]
        if request.iso is not None
        else []
    )
    return DryRunReport(session.root, packing, rows, tuple(images), since)


def make_ready(session: Session, request: WriteRequest, passphrase: Passphrase) -> ReadyToWrite:
    """Make or read the packing, and check everything that can be refused; `passphrase` is asked for that of the key.

    Raises InputError, RefusedError for what was withdrawn since the packing was made, DamagedError, UnfinishedError,
    LockedError.
    """
    _insist_on_no_release(session, request.to)
    packing = _with_plan(session, request, _packing(session, request))
    if not request.to and request.iso is None:
        raise InputError("no target was named", hint="--to DIR, --to N=DIR for one volume, or --iso FILE")
    _insist_on_label(request.label, session.root)
    store, head = session.store, session.ledger.head()
    kept = _kept_of(store, packing)
    since = _since(session, packing, kept)
    return ReadyToWrite(request, packing, head, since, _signer_of(kept, request.key, passphrase))


def write_media(session: Session, ready: ReadyToWrite, save: SavePage, stop: Stop) -> WrittenReport:
    """Write to the targets, then the images, then the labels, which `save` writes.

    What was done is reported, whatever fails then. Raises as `write_set` and `write_images` while nothing was done.
    """
    from bundlekeeper.media.writing.write import WriteMeans

    means = WriteMeans(session.now, session.caller.progress, ready.signer.sign, ready.head, stop)
    with ExitStack() as stack:
        report = _write(session, ready, means, _tool(ready, stack), save)
    return replace(report, fingerprint=ready.signer.fingerprint, since=ready.since)


def _packing(session: Session, request: WriteRequest) -> SetPacking:
    """The packing to write, from a packing file, from --for and --volume, or for a notice."""
    ask = request.ask
    if sum([request.packing is not None, bool(ask.name or ask.volumes), request.notice]) != 1:
        raise InputError(
            "name what to write: one of a packing file, --for with --volume, or --notice",
            hint="bundlekeeper media pack --for holm-a --volume 16GB:fat32 --out PACKING.json",
        )
    if request.also not in ("", "sha512"):
        raise InputError(f"--also {request.also}: there is no such list", hint="--also sha512")
    if request.packing is not None:
        from bundlekeeper.model.media.packing import read_packing

        data = read_bounded(request.packing, limits.PACKING_BYTES, "the packing")
        if not data.lstrip().startswith(b"{"):
            hint = "make one: bundlekeeper media pack --for NAME --volume KIND --out PACKING.json"
            raise InputError("this is not a packing file", where=request.packing, hint=hint)
        return read_packing(data, request.packing)
    if request.notice:
        return _notice(session, ask.files)
    answer = make_packing(session, ask)
    if answer.packing is None:
        raise InputError(
            "nothing can be packed", hint="see what is missing: bundlekeeper media pack", problems=answer.findings
        )
    return answer.packing


def _with_plan(session: Session, request: WriteRequest, packing: SetPacking) -> SetPacking:
    if request.plan is None:
        return packing
    from bundlekeeper.jobs.media.plan_files import with_plan

    return with_plan(session, packing, request.plan, request.ask.files)


def _notice(session: Session, files: InputFiles) -> SetPacking:
    """The packing of a set of withdrawals: the manifest, its signature and the notice."""
    from bundlekeeper.media.set.notice_packing import notice_packing

    given = read_inputs(session, files, bare=True)
    store = session.store
    commons = commons_of(session, given, files)
    return notice_packing(store, given.manifest, given.manifest_sha256, commons, keep=session.write)


def _since(session: Session, packing: SetPacking, kept: SignedIndex | None) -> tuple[Finding, ...]:
    """The findings by the manifest in force. Raises RefusedError for bundles that were withdrawn since."""
    from bundlekeeper.media.set.still_in_force import check_in_force

    return check_in_force(packing, session.manifest, signed=kept is not None)


def _insist_on_no_release(session: Session, to: tuple[str, ...]) -> None:
    """Raise InputError where a release's name is in a folder's place, and there is no such folder."""
    absent = [word for word in to if not Path(word).exists()]
    manifest = session.manifest if absent and session.is_there else None
    for word in absent:
        if manifest is not None and any(release.name == word for release in manifest.release):
            message = f"--to {word}: there is no folder of that name, and {word} is a release"
            raise InputError(message, hint=f"--to names a folder to write to; the release is: --release {word}")


def _targets(to: tuple[str, ...]) -> tuple[WriteTarget, ...]:
    from bundlekeeper.media.writing.write import WriteTarget

    targets = []
    for word in to:
        number, equals, path = word.partition("=")
        alone = bool(equals and number.isascii() and number.isdecimal() and len(number) < 7)
        if not (path if alone else word):
            raise InputError(f"--to {word}: no folder is named", hint="--to N=DIR; for the current folder: --to N=.")
        targets.append(WriteTarget(Path(path), int(number)) if alone else WriteTarget(Path(word)))
    return tuple(targets)


def _order(request: WriteRequest, tool: dict[str, Path]) -> WriteOrder:
    from bundlekeeper.media.volume.right_medium import Expectation
    from bundlekeeper.media.writing.write import WriteOrder

    expected = Expectation(request.must_be_mount, request.volume_ids)
    return WriteOrder(_targets(request.to), request.only, bool(request.also), expected, tool)


def _write(
    session: Session, ready: ReadyToWrite, means: WriteMeans, tool: dict[str, Path], save: SavePage
) -> WrittenReport:
    from bundlekeeper.media.writing.write import write_set
    from bundlekeeper.media.writing.write_images import ImageOrder, insist_on_paths, write_images

    store, request, packing = session.store, ready.request, ready.packing
    images = None
    if request.iso is not None:
        images = ImageOrder(request.iso, request.only, bool(request.also), tool)
        insist_on_paths(store, packing, images)
    written = write_set(store, packing, _order(request, tool), means) if request.to else None
    report = WrittenReport(packing, written, None)
    try:
        if images is not None:
            imaged = write_images(store, packing, images, means)
            report = replace(report, imaged=imaged, error=imaged.error)
        return replace(report, label=_label(session, ready, save))
    except KeeperError as e:
        if report.written is None and report.imaged is None:
            raise
        return replace(report, error=report.error or e)


def _tool(ready: ReadyToWrite, stack: ExitStack) -> dict[str, Path]:
    if not (ready.request.with_tool or ready.packing.with_tool):
        return {}
    from bundlekeeper.media.volume.own_wheels import pack

    packed = pack(Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="bundlekeeper-"))))
    return dict(packed.files)


def _insist_on_label(name: str, root: Path) -> None:
    """Raise InputError, before hours of writing, where the page of labels would replace anything but an older page."""
    from bundlekeeper.media.volume.right_medium import insist_outside

    if name in ("", "-"):
        return
    path = Path(name)
    insist_outside(path, root)
    if path.is_dir() or not path.parent.is_dir():
        message = "a folder, not a file" if path.is_dir() else "there is no folder for the page of labels"
        raise InputError(message, where=name, hint="name a file in a folder that is there: --label FILE")
    if not os.access(path.parent, os.W_OK | os.X_OK):
        raise InputError("the page of labels cannot be written there", where=name, hint="name another folder")
    if path.exists() and not read_bounded(name, limits.LABELS_BYTES, "the page of labels").startswith(_PAGE):
        raise InputError(
            "this file is no page of labels: it is not replaced", where=name, hint="name another file: --label FILE"
        )


def _label(session: Session, ready: ReadyToWrite, save: SavePage) -> str:
    if not ready.request.label:
        return ""
    from bundlekeeper.reports.labels import page

    kept = _kept_of(session.store, ready.packing)
    if kept is None:
        return ""
    return save(ready.request.label, page(kept.index, hashlib.sha256(kept.data).hexdigest()))


@dataclass(frozen=True, slots=True)
class Signer:
    """What signs, and the fingerprint of the key that signed, or will sign, the set's index."""

    sign: Sign
    fingerprint: str


def _kept_of(store: Store, packing: SetPacking) -> SignedIndex | None:
    """The packing's index, where the set was begun and it was signed. Raises DamagedError where it is not whole."""
    from bundlekeeper.media.set.remembered_sets import Sets
    from bundlekeeper.media.set.signed_index import kept_index

    sets, digest = Sets(store), packing.sha256
    sent = next((sent for sent in sets.sent() if sent.packing == digest), None)
    return None if sent is None else kept_index(sets, sent)


def _signer_of(kept: SignedIndex | None, key: Path | None, passphrase: Passphrase) -> Signer:
    """The signer of the index, or of the one that is `kept`; `passphrase` is asked for that of the key.

    Raises InputError where a key is missing, cannot be read or is not the one that signed the index before,
    RefusedError for one that is weak or can be reached by others, UnfinishedError.
    """
    if kept is None and key is None:
        raise InputError(
            "the set's index must be signed: --key is missing",
            hint="make a key: ssh-keygen -t ed25519 -f KEYFILE; send its public half to the receivers by another way",
        )
    from bundlekeeper.media.set import signed_index
    from bundlekeeper.verification.signatures import sign as signing

    before = "" if kept is None else signed_index.signer_of(kept.data, kept.signature)
    if key is None:
        return Signer(lambda _: b"", before)  # never called: the index was signed before
    private = signing.load_private_key(str(key), passphrase)
    fingerprint = signing.public_key_of(private).fingerprint
    if before and fingerprint != before:
        raise InputError(
            f"the set's index was signed before, by {before}; this key is another one: {fingerprint}",
            where=str(key),
            hint="a set is signed once: leave out --key, or name that key",
        )

    def sign(data: bytes) -> bytes:
        return signing.sign_document(private, "indexes", {"sha512": hashlib.sha512(data).hexdigest()})

    return Signer(sign, fingerprint)
