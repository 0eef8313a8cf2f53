"""A bag on a medium (RFC 8493, BagIt 1.0; 0.97 is read too): looked at without harm, then verified by its checksums.

Rules: a bag counts as hostile: nothing outside it is touched (§5.2), no link is followed, nothing is fetched (§5.3),
every read is bounded; `read_bag` reads no payload and reports every problem at once; complete and valid are those of
§3: every listed file is there, every payload file is listed, every checksum of every manifest is right; a checksum
shows damage, never origin (§5.1): the signature shows origin.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from bundlekeeper.errors import InputError, RefusedError, UnfinishedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.media.volume import bag_text
from bundlekeeper.media.volume.bag_text import DECLARATION, DIGITS, FETCH, INFO, PAYLOAD, STRONG
from bundlekeeper.model.progress import Progress, Silent
from bundlekeeper.store.disk.walk import WORDS, EntryKind, WalkEntry, walk
from bundlekeeper.verification.hashing.door import Digest, Stop, Task, digest_many

MAX_LISTED = 100_000  # lines of a manifest: as many files as a set may have
MAX_FILES = 150_000
MAX_DEPTH = 16
MAX_REPORTED = 1000  # problems of one kind that are reported one by one


@dataclass(frozen=True, slots=True)
class Bag:
    """A bag as it was found, its payload not read yet.

    `files` has every regular file in it by its path from the bag's top; `payload` and `tags` have what manifests and
    tag manifests state for a path: algorithm to checksum; `info` the labels of bag-info.txt; `findings` why it is not
    complete.
    """

    root: Path
    version: str
    info: tuple[tuple[str, str], ...]
    files: Mapping[str, WalkEntry]
    payload: Mapping[str, Mapping[str, str]]
    tags: Mapping[str, Mapping[str, str]]
    findings: tuple[Finding, ...]

    def value(self, label: str) -> str:
        """The first value of a label of bag-info.txt, whatever the label's case (§2.2.2); empty where there is none."""
        return next((value for name, value in self.info if name.lower() == label.lower()), "")

    def read(self, path: str, limit: int) -> bytes:
        """The bytes of a file of the bag that is no larger than `limit` bytes.

        Raises RefusedError when it is larger, InputError when it is not there, OSError when it cannot be read.
        """
        return _read(self.files, path, limit)


@dataclass(frozen=True, slots=True)
class BagVerification:
    """What reading a bag's listed files gave: the digests of those that could be read, and what is wrong with them."""

    digests: Mapping[str, Digest]
    findings: tuple[Finding, ...]


def read_bag(root: Path, *, progress: Progress | None = None, stop: Stop | None = None) -> Bag:
    """Look at the bag at `root`: its texts, of which each has a limit, and what lies in it. No payload is read.

    Raises InputError when `root` is no folder; RefusedError, with every problem among its `problems`, when it is no bag
    (bagit.txt is what is written last: without it a volume was not finished), is of another version, holds links or
    devices, names paths outside, needs files from elsewhere, contradicts itself or has nothing to verify it by;
    UnfinishedError when it cannot be opened; StoppedError when `stop` was set. What is merely missing, extra or
    unreadable is reported in `findings`.
    """
    files, wrong, findings = _look(root)
    if DECLARATION not in files:
        raise RefusedError(
            "this is no bag, or a volume that was not finished: there is no bagit.txt",
            where=str(root),
            hint="it is written last, after everything else was verified: write the volume again",
            problems=wrong,
        )
    reading = _Reading(files, wrong, progress or Silent(), stop)
    try:
        reading.begin()
        version = reading.version()
        info = reading.info()
        payload, tags = reading.manifests(version)
    finally:
        reading.progress.done()
    _insist_on_payload(root, wrong)
    if wrong:
        first = f": {wrong[0].subject}: {wrong[0].message}" if len(wrong) == 1 else f": {len(wrong)} problems"
        unread = all(problem.code == "unreadable" for problem in wrong)
        kind = UnfinishedError if unread else RefusedError
        message = f"the bag {'cannot be read' if unread else 'is refused'}{first}"
        raise kind(message, where=str(root), problems=wrong[:MAX_REPORTED])
    findings += _complete(files, payload, tags, info)
    return Bag(root, version, info, files, payload, tags, tuple(findings))


def _insist_on_payload(root: Path, wrong: list[Finding]) -> None:
    """§2.1.2: the payload folder is required, also when it is empty; a walk shows no folders."""
    try:
        there = stat.S_ISDIR((root / PAYLOAD).lstat().st_mode)
    except OSError:
        there = False
    if not there and not any(problem.subject == PAYLOAD for problem in wrong):
        wrong.append(_bad(PAYLOAD, "the payload folder is not there"))


def verify_bag(
    bag: Bag, *, progress: Progress | None = None, stop: Stop | None = None, workers: int | None = None
) -> BagVerification:
    """Read every listed file that is there and compare it with all of its checksums (§3).

    Plain reads, which a cache may serve. Raises StoppedError when `stop` was set.
    """
    progress = progress or Silent()
    stated = {**bag.tags, **bag.payload}
    tasks = [
        Task(path, bag.files[path].open, bag.files[path].size, tuple(sorted({*sums, "sha256"})))
        for path, sums in stated.items()
        if path in bag.files
    ]
    tasks.sort(key=lambda task: -task.size)
    progress.begin("verifying", sum(task.size for task in tasks), len(tasks))
    digests: dict[str, Digest] = {}
    found: list[Finding] = []
    try:
        for outcome in digest_many(tasks, workers=workers, on_bytes=progress.advance, on_file=progress.file, stop=stop):
            path = outcome.task.key
            if outcome.digest is None or outcome.changed:
                reason = outcome.error.strerror if outcome.error is not None else "it changed while it was read"
                found.append(
                    finding("unreadable", path, f"could not be read: {reason}", "try again, or another reader")
                )
                continue
            digests[path] = outcome.digest
            found += _compared(path, stated[path], outcome.digest)
    finally:
        progress.done()
    return BagVerification(digests, tuple(sorted(found, key=lambda problem: problem.subject)))


def _compared(path: str, stated: Mapping[str, str], digest: Digest) -> list[Finding]:
    wrong = [name for name, checksum in stated.items() if digest.hexes[name] != checksum]
    if not wrong:
        return []
    name = wrong[0]
    message = f"its {name} is {digest.hexes[name]}; the bag's manifest says {stated[name]}"
    return [finding("altered", path, message, "copy the volume again")]


def _look(root: Path) -> tuple[dict[str, WalkEntry], list[Finding], list[Finding]]:
    """The regular files below `root`; what makes the bag dangerous; what could not be looked at."""
    files: dict[str, WalkEntry] = {}
    wrong: list[Finding] = []
    unseen: list[Finding] = []
    for entry in walk(root, max_entries=MAX_FILES, max_depth=MAX_DEPTH):
        if entry.kind is EntryKind.FILE:
            files[entry.path] = entry
        elif entry.kind in {EntryKind.DIR_UNREADABLE, EntryKind.UNREADABLE, EntryKind.VANISHED}:
            unseen.append(finding("unreadable", entry.path, f"{WORDS[entry.kind]}: {entry.message}"))
        else:
            wrong.append(_bad(entry.path, f"{WORDS[entry.kind]} is not allowed in a bag"))
    for path in files:
        reason = bag_text.unsafe(path)
        if reason:
            wrong.append(_bad(path, reason))
    wrong += [_bad(b, f"has the same name as {visible(a)} on some systems") for a, b in bag_text.collisions(files)]
    if FETCH in files:
        wrong.append(_bad(FETCH, "a bag that needs files from elsewhere is refused"))
    return files, wrong, unseen


def _bad(subject: str, message: str) -> Finding:
    return finding("bad-volume", subject, message)


def _read(files: Mapping[str, WalkEntry], path: str, limit: int) -> bytes:
    entry = files.get(path)
    if entry is None:
        raise InputError(f"there is no {visible(path)}", where=path)
    if entry.size > limit:
        raise RefusedError(f"{visible(path)} is larger than {limit} bytes", where=path)
    fd = entry.open()
    try:
        pieces: list[bytes] = []
        left = limit + 1
        while left and (piece := os.read(fd, min(left, 1 << 20))):
            pieces.append(piece)
            left -= len(piece)
    finally:
        with suppress(OSError):  # of a device that is gone
            os.close(fd)
    if not left:
        raise RefusedError(f"{visible(path)} is larger than {limit} bytes", where=path)
    return b"".join(pieces)


class _Reading:
    """Reads a bag's texts; whatever is wrong is added to `wrong`."""

    def __init__(
        self, files: Mapping[str, WalkEntry], wrong: list[Finding], progress: Progress, stop: Stop | None
    ) -> None:
        self._files, self._wrong = files, wrong
        self.progress, self._stop = progress, stop

    def begin(self) -> None:
        """Report how much is to be read."""
        texts = [file for file in self._files if file in (DECLARATION, INFO) or bag_text.algorithm_of(file) is not None]
        size = sum(min(self._files[path].size, limits.TAG_BYTES) for path in texts)
        self.progress.begin("reading the volume's texts", size, len(texts))

    def _text(self, path: str, limit: int) -> str:
        self.progress.file(path)
        if self._stop is not None:
            self._stop.check()
        try:
            data = _read(self._files, path, limit)
            self.progress.advance(len(data))
        except RefusedError as e:
            self._wrong.append(_bad(path, e.message))
        except OSError as e:
            self._wrong.append(finding("unreadable", path, f"could not be read: {e.strerror}"))
        else:
            if data.startswith(b"\xef\xbb\xbf"):
                self._wrong.append(_bad(path, "begins with a byte-order mark"))  # §2.1.1: MUST NOT
            try:
                return data.decode("utf-8").removeprefix("\ufeff")
            except UnicodeDecodeError as e:
                self._wrong.append(_bad(path, f"is not UTF-8: byte {e.start}"))
        return ""

    def version(self) -> str:
        before = len(self._wrong)
        text = self._text(DECLARATION, limits.BAG_DECLARATION_BYTES)
        if len(self._wrong) == before:
            try:
                return bag_text.read_declaration(text)
            except InputError as e:
                self._wrong.append(_bad(DECLARATION, e.message))
        return bag_text.VERSIONS[-1]

    def info(self) -> tuple[tuple[str, str], ...]:
        if INFO not in self._files:
            return ()
        rows, problems = bag_text.read_info(self._text(INFO, limits.BAG_INFO_BYTES))
        self._wrong += [_bad(INFO, message) for message in problems]
        return rows

    def manifests(self, version: str) -> tuple[dict[str, dict[str, str]], dict[str, dict[str, str]]]:
        """What manifests and tag manifests state, by path."""
        payload: dict[str, dict[str, str]] = {}
        tags: dict[str, dict[str, str]] = {}
        algorithms: dict[bool, set[str]] = {True: set(), False: set()}
        for name in sorted(self._files):
            which = bag_text.algorithm_of(name)
            if which is None:
                continue
            algorithm, tag = which
            if algorithm not in DIGITS:
                self._wrong.append(_bad(name, f"the algorithm {visible(algorithm)[:20]} is not known"))
                continue
            text = self._text(name, limits.TAG_BYTES)
            listed = bag_text.read_manifest(text, algorithm, version, most=MAX_LISTED)
            self._wrong += [_bad(name, message) for message in listed.problems]
            self._places(name, listed.checksums, tag=tag)
            algorithms[tag].add(algorithm)
            for path, checksum in listed.checksums.items():
                (tags if tag else payload).setdefault(path, {})[algorithm] = checksum
        if not algorithms[False] & STRONG:
            self._wrong.append(_bad(PAYLOAD, "no manifest with SHA-256, SHA-384 or SHA-512 lists the payload"))
        self._agree(payload, algorithms[False], version)
        if algorithms[True]:
            self._tag_manifests(tags)
        return payload, tags

    def _places(self, name: str, listed: Mapping[str, str], *, tag: bool) -> None:
        """A manifest lists the payload and nothing else, a tag manifest everything else but tag manifests (§2.2.1)."""
        for path in listed:
            if path.startswith(f"{PAYLOAD}/") == tag:
                self._wrong.append(_bad(name, f"lists {visible(path)[:120]}, which is {'' if tag else 'no '}payload"))
            elif tag and (bag_text.algorithm_of(path) or ("", False))[1]:
                self._wrong.append(_bad(name, f"lists the tag manifest {visible(path)}"))

    def _agree(self, payload: Mapping[str, Mapping[str, str]], algorithms: set[str], version: str) -> None:
        """§2.1.3: in 1.0 every manifest lists every payload file; before, one of them had to."""
        for path, sums in payload.items():
            lacking = sorted(algorithms - set(sums))
            if lacking and version == "1.0":
                name = bag_text.manifest_name(lacking[0])
                self._wrong.append(_bad(name, f"does not list {visible(path)[:120]}, which another manifest lists"))
            elif not set(sums) & STRONG:
                self._wrong.append(_bad(path, "is listed with weak algorithms only"))

    def _tag_manifests(self, tags: Mapping[str, Mapping[str, str]]) -> None:
        for name in self._files:
            which = bag_text.algorithm_of(name)
            if which is not None and not which[1] and name not in tags:
                self._wrong.append(_bad(name, "no tag manifest lists it"))  # §2.2.1


def _complete(
    files: Mapping[str, WalkEntry],
    payload: Mapping[str, Mapping[str, str]],
    tags: Mapping[str, Mapping[str, str]],
    info: tuple[tuple[str, str], ...],
) -> list[Finding]:
    """What keeps the bag from being complete (§3), without reading payload: missing, extra, sums that differ."""
    there = {path: entry.size for path, entry in files.items() if path.startswith(f"{PAYLOAD}/")}
    lacking = sorted(path for mapping in (payload, tags) for path in mapping if path not in files)
    found = [
        finding("missing", path, "the bag's manifest lists it, and it is not there", "copy the volume again")
        for path in lacking[:MAX_REPORTED]
    ]
    if len(lacking) > MAX_REPORTED:
        found.append(_bad(PAYLOAD, f"{len(lacking)} files are missing; the first {MAX_REPORTED} are named"))
    found += [
        finding("extra", path, "is in the payload, and no manifest of the bag lists it")
        for path in sorted(set(there) - set(payload))
    ]
    stated = next((value for label, value in info if label.lower() == "payload-oxum"), "")
    oxum = bag_text.read_oxum(stated)
    real = (sum(there.values()), len(there))
    if stated and oxum is None:
        found.append(_bad(INFO, f"Payload-Oxum is {visible(stated)[:40]}, which is not bytes.files"))
    elif oxum is not None and oxum != real:
        message = f"Payload-Oxum says {oxum[0]} bytes in {oxum[1]} files; there are {real[0]} bytes in {real[1]} files"
        found.append(finding("bad-volume", INFO, message, "the copy is not whole, or something was added"))
    return found
