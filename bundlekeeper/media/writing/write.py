"""`media write`: a packed set onto volumes; each file of the store is read once for all targets; then all is verified.

Rules: what is read back from a volume is compared with the packing's own digests; a volume with a file that is not what
the packing states is never finished; a target that fails is left out and the others go on; whatever happens, a volume
looks finished only when every file on it was read back from it and is right; what is whole already is not written
again; the index is signed once for the whole set and kept, so that volumes written on other days carry the same one.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from bundlekeeper.errors import (
    EXIT_FOUND,
    EXIT_OK,
    EXIT_UNFINISHED,
    InputError,
    LockedError,
    UnfinishedError,
    worst_exit,
)
from bundlekeeper.findings import Finding, exit_status, finding
from bundlekeeper.ledger.event.chain import Head
from bundlekeeper.media.set.records import Sent
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.media.set.signed_index import Sign, begun, kept_index, signed_index
from bundlekeeper.media.volume import bag_text, tag_files
from bundlekeeper.media.volume.folder import Expected, VolumeFolder
from bundlekeeper.media.volume.free_space import needed, short_of_space
from bundlekeeper.media.volume.own_wheels import expected as expected_tool
from bundlekeeper.media.volume.read_back import ReadBackLevel, flush_device
from bundlekeeper.media.volume.remount import look
from bundlekeeper.media.volume.right_medium import Expectation, MediumPlace, insist_outside, open_place
from bundlekeeper.media.writing.read_once import Spreading
from bundlekeeper.media.writing.resume_memory import ResumeMemory, recall, remember
from bundlekeeper.media.writing.verify_written import Verified, verify_finished, verify_written
from bundlekeeper.model.media.index import PartDigests, folder_of, name_of
from bundlekeeper.model.media.packing import SetPacking
from bundlekeeper.model.progress import Clock, Progress
from bundlekeeper.store.contents.store import Store
from bundlekeeper.verification.hashing.read import Stop


@dataclass(frozen=True, slots=True)
class WriteTarget:
    """A folder to write to: all chosen volumes, or the one of this number."""

    path: Path
    volume: int | None = None


@dataclass(frozen=True, slots=True)
class WriteOrder:
    """What to write. `only` are the volumes' numbers, all where empty; `tool` the files of the tool's folder."""

    targets: tuple[WriteTarget, ...]
    only: tuple[int, ...] = ()
    sha512: bool = False
    expected: Expectation = field(default_factory=Expectation)
    tool: Mapping[str, Path] = field(default_factory=dict)

    @property
    def algorithms(self) -> tuple[str, ...]:
        """The algorithms that the payload is hashed with."""
        return ("sha256", "sha512") if self.sha512 else ("sha256",)

    @property
    def optional(self) -> tuple[str, ...]:
        """The optional files and folders that volumes get."""
        return tag_files.optional(sha512=self.sha512, tool=bool(self.tool))


@dataclass(frozen=True, slots=True)
class WriteMeans:
    """What writing needs: `sign` signs an index's bytes, `head` is the ledger's state now."""

    clock: Clock
    progress: Progress
    sign: Sign
    head: Head
    stop: Stop | None = None


@dataclass(frozen=True, slots=True)
class Copy:
    """What became of one volume on one target. `state`: written, resumed, already there, failed; bytes.

    `level` is the level of its verification, `reason` what could not be guaranteed; `broke` says that its target
    failed.
    """

    volume: int
    path: str
    state: str
    files: int
    kept: int
    size: int
    level: ReadBackLevel | None
    reason: str = ""
    broke: bool = False


@dataclass(frozen=True, slots=True)
class Written:
    """What a write did. `read_bytes` were read from the store."""

    sent: Sent
    name: str
    copies: tuple[Copy, ...]
    findings: tuple[Finding, ...]
    read_bytes: int

    @property
    def status(self) -> int:
        """The exit status: 3 when some volume could not be finished by a failure, 1 when something was found."""
        failed = [copy for copy in self.copies if copy.state == "failed"]
        broke = any(copy.broke for copy in failed)
        return worst_exit(
            [exit_status(self.findings), EXIT_UNFINISHED if broke else EXIT_OK, EXIT_FOUND if failed else EXIT_OK]
        )


def write_set(store: Store, packing: SetPacking, order: WriteOrder, means: WriteMeans) -> Written:
    """Write the chosen volumes of a set to every target, and verify them from there.

    A packing that was begun is continued as the same set. Raises InputError for volumes that the packing does not have
    or targets that are no folders or in the store, RefusedError for a target that is not the medium meant or holds
    something else, UnfinishedError when the store cannot be read, or no target can be begun, opened or has space;
    LockedError, StoppedError.
    """
    chosen = chosen_volumes(packing, order)
    for _, target in chosen:
        insist_outside(target.path, store.root)
    sets = Sets(store)
    sent = begun(sets, packing, means)
    with ExitStack() as stack:
        return _Write(store, sets, sent, packing, order, means, stack).run(chosen)


def chosen_volumes(packing: SetPacking, order: WriteOrder) -> list[tuple[int, WriteTarget]]:
    """Which volume goes to which target. Raises InputError for numbers that the packing does not have."""
    numbers = range(1, len(packing.volumes) + 1)
    asked = {*order.only, *(t.volume for t in order.targets if t.volume is not None)}
    unknown = sorted(asked - set(numbers))
    if unknown:
        raise InputError(f"the set has no volume {unknown[0]}: it has {len(numbers)}", hint="bundlekeeper media pack")
    if not order.targets:
        raise InputError("no target was named", hint="--to DIR, or --to N=DIR for one volume")
    chosen = [
        (number, target)
        for number in numbers
        for target in order.targets
        if target.volume == number or (target.volume is None and (not order.only or number in order.only))
    ]
    if not chosen:
        raise InputError("no volume is left to write", hint="--only and --to N=DIR leave no volume here")
    return chosen


class _Write:
    """One run of `write_set`."""

    def __init__(
        self,
        store: Store,
        sets: Sets,
        sent: Sent,
        packing: SetPacking,
        order: WriteOrder,
        means: WriteMeans,
        stack: ExitStack,
    ) -> None:
        self.store, self.sets, self.sent, self.packing, self.order, self.means = (
            store,
            sets,
            sent,
            packing,
            order,
            means,
        )
        self.stack = stack
        self.volumes: list[VolumeFolder] = []
        self.findings: list[Finding] = []
        self.known: ResumeMemory = recall(store, sent)
        self.signed = kept_index(sets, sent)
        for file in self.signed.index.files if self.signed is not None else ():
            if file.split:
                self.known.parts[file.path] = {
                    part.number: PartDigests(part.sha256, part.through) for part in file.parts
                }
        self.name = name_of(packing.platform, sent.sequence)
        self.verified: dict[int, Verified] = {}
        self.states: dict[int, str] = {}
        self.left_out: dict[VolumeFolder, UnfinishedError] = {}
        self.shut: dict[Path, UnfinishedError] = {}
        self.unopened: list[tuple[int, Path]] = []
        self.tool = order.tool

    def run(self, chosen: Sequence[tuple[int, WriteTarget]]) -> Written:
        self._open(chosen)
        before = {v.number: self._expected(v.number) for v in self.volumes}
        for expected in before.values():
            bag_text.manifest_text(dict.fromkeys(expected, ""))  # refuses names that no volume can have
        self._remember_places()
        for volume in self.volumes:
            self._begin(volume)
        fresh = [v for v in self.volumes if v.state != "finished" and v.error is None]
        self._survey(fresh, before)
        self._insist_on_space(fresh)
        self._insist_on_one()
        self.findings += self._reasons()
        fresh = [v for v in fresh if v not in self.left_out]
        spreading = Spreading(
            self.store, self.packing, self.order.algorithms, self.means, self.known.parts, self._remember
        )
        if fresh:
            self.findings += spreading.run(fresh)
            self._settle(fresh)
        if self.signed is None:
            self.signed = self._sign()
        if fresh and self.tool and not tag_files.signed_tool(self.signed.index, expected_tool(self.tool)):
            self.tool = {}
            self.findings.append(tag_files.tool_left_out())
        for volume in self.volumes:
            self._guarded(volume, lambda v: self._tags(v, spreading))
        self._verify(spreading)
        return self._written(spreading.read_bytes)

    def _sign(self) -> tag_files.SignedIndex:
        try:
            stated = expected_tool(self.tool)
            return signed_index(self.sets, self.sent, self.packing, self.means, self.known.parts, stated)
        except UnfinishedError as e:
            raise UnfinishedError(e.message, hint=e.hint, where=e.where, problems=self.findings) from e

    def _open(self, chosen: Sequence[tuple[int, WriteTarget]]) -> None:
        places: dict[Path, MediumPlace] = {}
        for number, target in chosen:
            if target.path not in places and target.path not in self.shut:
                was = self.known.points.get(os.path.realpath(target.path), "")
                try:
                    places[target.path] = open_place(target.path, self.order.expected, was_at=was)
                except UnfinishedError as e:
                    self.shut[target.path] = e
                else:
                    self.stack.callback(places[target.path].close)
            if target.path in self.shut:
                self.unopened.append((number, target.path))
                continue
            volume = VolumeFolder(places[target.path], number, folder_of(self.name, number, len(self.packing.volumes)))
            self.volumes.append(volume)
            self.stack.callback(volume.close)
        same = [str(v.path.resolve()) for v in self.volumes]
        if len(set(same)) != len(same):
            raise InputError("two targets are the same folder", hint="name each folder once")

    def _remember(self) -> None:
        remember(self.store, self.sent, self.known)

    def _remember_places(self) -> None:
        """Note the mounts and mount points before the first byte goes out."""
        for volume in self.volumes:
            place = volume.place
            self.known.points[os.path.realpath(place.path)] = place.mount.point if place.mount is not None else ""
        self._remember()

    def _begin(self, volume: VolumeFolder) -> None:
        try:
            volume.begin(self.sent.set_id, self.signed.data if self.signed is not None else None)
            if volume.state != "finished" and self.signed is not None:
                tag_files.insist_on_signed(self.signed.index, volume.number)
        except OSError as e:
            message, hint = (
                f"the volume's folder cannot be made: {e.strerror}",
                "is the medium full, read-only or gone?",
            )
            return self._leave_out(volume, UnfinishedError(message, where=str(volume.path), hint=hint))
        except UnfinishedError as e:  # another process writes it, or another version began the set
            return self._leave_out(volume, e)
        self.states[id(volume)] = {"new": "written", "unfinished": "resumed"}.get(volume.state, "already there")
        if volume.state != "finished" and self.known.written_under(volume.number, look(volume.fd)):
            self._remember()
        return None

    def _expected(self, number: int) -> dict[str, Expected]:
        """The payload of a volume, with the digests that are known before anything is read."""
        found = {}
        for packed_file, part in self.packing.on(number):
            known = self.known.parts.get(packed_file.file.path, {}).get(part.number)
            sha256 = part.sha256 or (known.sha256 if known is not None else "")
            path = f"{bag_text.PAYLOAD}/{part.path}"
            found[path] = Expected(part.size, {"sha256": sha256} if sha256 else {})
        return found

    def _survey(self, fresh: Sequence[VolumeFolder], before: Mapping[int, Mapping[str, Expected]]) -> None:
        begun = [v for v in fresh if v.state == "unfinished"]
        if not begun:
            return
        total = sum(expected.size for v in begun for expected in before[v.number].values())
        self.means.progress.begin("looking at what is there", total, sum(len(before[v.number]) for v in begun))
        try:
            for volume in begun:
                self._guarded(volume, lambda v: self._survey_one(v, before[v.number]))
        finally:
            self.means.progress.done()

    def _survey_one(self, volume: VolumeFolder, expected: Mapping[str, Expected]) -> None:
        volume.survey(
            expected,
            algorithms=self.order.algorithms,
            flushed=flush_device(volume.place.mount),
            on_bytes=self.means.progress.advance,
            stop=self.means.stop,
        )

    def _insist_on_space(self, fresh: Sequence[VolumeFolder]) -> None:
        """Leave out volumes that do not fit on their targets."""
        need: dict[VolumeFolder, int] = {}

        def count(volume: VolumeFolder) -> None:
            need[volume] = needed(self.packing, volume, self._expected(volume.number), self.order.tool.values())

        for volume in fresh:
            self._guarded(volume, count)
        for volume, short in short_of_space(need).items():
            hint = "free some space or use another medium; what is there stays, and no volume looks finished"
            message = f"not enough space: {short.message}"
            self._leave_out(volume, UnfinishedError(message, where=short.subject, hint=hint, problems=(short,)))

    def _leave_out(self, volume: VolumeFolder, error: UnfinishedError) -> None:
        """Go on without a volume that cannot be begun; what this run made of it is removed."""
        self.left_out[volume] = error
        volume.error = OSError(error.message)
        if not isinstance(error, LockedError):
            with suppress(OSError):
                volume.unmake()

    def _insist_on_one(self) -> None:
        """Raise the first target's UnfinishedError where no volume can be written or is there."""
        if all(volume in self.left_out for volume in self.volumes):
            first = next(error for error in (*self.shut.values(), *self.left_out.values()))
            first.problems = first.problems or tuple(self._reasons()[1:])
            raise first

    def _reasons(self) -> list[Finding]:
        """Why targets and volumes were left out, each reason once."""
        rows: list[Finding] = []
        for error in (*self.shut.values(), *self.left_out.values()):
            rows += error.problems or [finding("bad-volume", error.where, error.message, error.hint)]
        return list(dict.fromkeys(rows))

    def _guarded(self, volume: VolumeFolder, work: Callable[[VolumeFolder], None]) -> None:
        """Do something with a volume that has not failed; an error of its target fails this volume alone."""
        if volume.error is not None:
            return
        try:
            work(volume)
        except OSError as e:
            volume.error = e

    def _settle(self, fresh: Sequence[VolumeFolder]) -> None:
        for volume in fresh:
            self._guarded(volume, VolumeFolder.settle)

    def _whole(self) -> Iterator[VolumeFolder]:
        """The volumes that can be finished: nothing failed, and none of their files is wrong."""
        for volume in self.volumes:
            if volume.state != "finished" and volume.error is None and not volume.bad:
                yield volume

    def _tags(self, volume: VolumeFolder, spreading: Spreading) -> None:
        if volume.state == "finished" or volume.bad or self.signed is None:
            return
        payload = spreading.payload(volume)
        tool = spreading.copy_tool(volume, self.tool)
        texts = tag_files.tag_files(self.signed, volume.number, payload, tool)
        for name, data in texts.items():
            volume.write(name, data)
        volume.sync([*payload, *tool])
        spreading.expect_tags(volume, texts, tool)

    def _verify(self, spreading: Spreading) -> None:
        whole = list(self._whole())
        finished = [v for v in self.volumes if v.state == "finished" and v.error is None]
        verified = verify_written({v: spreading.everything(v) for v in whole}, self.means.progress, self.means.stop)
        for volume in whole:
            self.verified[id(volume)] = verified[volume]
            self._report_bad(volume, verified[volume], spreading)
            if not verified[volume].findings:
                self._guarded(volume, self._finish)
        for volume in finished:
            assert self.signed is not None  # noqa: S101 - a finished volume is one with this index
            again = self.known.read_after_remount(volume.number, volume.fd)
            found = verify_finished(
                *(volume, self.signed, self.means.progress, self.means.stop),
                remounted=again,
                asked=self.order.optional,
            )
            self.verified[id(volume)] = found
            self.findings += [*found.findings, *found.beside]
            if not found.findings and volume.number not in self.sent.written:  # killed before it was recorded
                self.sent = self.sets.wrote(self.sent, volume.number, self.means.clock())

    def _report_bad(self, volume: VolumeFolder, verified: Verified, spreading: Spreading) -> None:
        """Report what is wrong with a volume; each bad file is read in the store, to see whether the fault is there."""
        blamed = {path: spreading.blame(volume, path) for path in verified.bad}
        for path, found in blamed.items():
            if found is not None:
                self._guarded(volume, partial(VolumeFolder.remove, path=path))
        ours = {f"{volume.path}/{path}" for path, found in blamed.items() if found is not None}
        self.findings += [problem for problem in verified.findings if problem.subject not in ours]
        self.findings += [found for found in blamed.values() if found is not None and found not in self.findings]

    def _finish(self, volume: VolumeFolder) -> None:
        volume.finish()
        self.known.note_finished(volume.number, volume.fd)
        self._remember()
        self.sent = self.sets.wrote(self.sent, volume.number, self.means.clock())

    def _written(self, read_bytes: int) -> Written:
        copies = []
        for volume in self.volumes:
            state = self.states.get(id(volume), "failed")
            verified = self.verified.get(id(volume))
            if volume.error is not None and volume not in self.left_out:
                reason = volume.error.strerror or str(volume.error)
                hint = "what is whole on it stays: run the same command again"
                self.findings.append(finding("bad-volume", str(volume.path), f"it was not finished: {reason}", hint))
            if volume.error is not None or volume.bad or verified is None or verified.findings:
                state = "failed"
            files = self._expected(volume.number)
            copies.append(
                Copy(
                    volume.number,
                    str(volume.path),
                    state,
                    len(files),
                    len(volume.kept),
                    sum(expected.size for expected in files.values()),
                    verified.level if verified is not None and state != "failed" else None,
                    verified.reason if verified is not None else "",
                    volume.error is not None,
                )
            )
        for number, path in self.unopened:
            name = folder_of(self.name, number, len(self.packing.volumes))
            copies.append(Copy(number, str(path / name), "failed", 0, 0, 0, None, broke=True))
        return Written(self.sent, self.name, tuple(copies), tuple(self.findings), read_bytes)
