"""Finds the volumes of a media set in the folders that the user names, and compares them with the signed index.

Rules: nothing is trusted yet, so every text that is read has a size limit, and no payload is read; a folder without
bagit.txt was not finished; a volume has exactly the files that the index names for one of its volumes; names that a FAT
file system or a careless copy changed are reported, and the files are found by size and digest; a volume with links or
devices is refused; what is wrong with one volume hides no other one.
"""

from __future__ import annotations

import os
import re
import stat
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from bundlekeeper.errors import InputError, KeeperError, RefusedError, StoppedError, UnfinishedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats import limits
from bundlekeeper.media.volume import bag as bags
from bundlekeeper.media.volume.bag_text import DECLARATION, PAYLOAD, algorithm_of
from bundlekeeper.media.volume.folder import MARK
from bundlekeeper.model.media.index import SetIndex, read_index
from bundlekeeper.model.progress import Progress, Silent
from bundlekeeper.store.disk.walk import WORDS, EntryKind, WalkEntry, walk
from bundlekeeper.verification.hashing.door import Stop

INDEX, SIGNATURE, MANIFEST = "set-index.json", "set-index.json.sig", "manifest-sha256.txt"
#: The texts that every volume must have.
_TEXTS = (DECLARATION, MANIFEST, INDEX, SIGNATURE)
#: How an index begins: canonical JSON, whose first key is "files" (model.media.index).
_BEGINS = b'{"files":['
#: What the folder of a volume has; a file with the name of the mark alone may be somebody's own note.
_VOLUME_NAMES = {INDEX, MANIFEST, DECLARATION, PAYLOAD, MARK.lower()}
_ARMOUR = b"-----BEGIN SSH SIGNATURE-----"
_MAX_FOLDERS = 2000


@dataclass(frozen=True, slots=True)
class FoundVolume:
    """One finished volume: its folder, the bytes of its index and of the signature, every regular file by its path.

    `number` is 0 until `numbered` found which volume of the set it is; `payload` has the checksums of the bag's
    manifest, None where that file has lost its name; `tags` those of its tag manifests, for the texts beside the
    payload.
    """

    root: Path
    index: bytes
    signature: bytes
    files: Mapping[str, WalkEntry]
    payload: Mapping[str, str] | None
    tags: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    number: int = 0
    findings: tuple[Finding, ...] = ()

    def entry(self, path: str) -> WalkEntry | None:
        """The payload file at a path of the index, None where it is not there under that name."""
        return self.files.get(f"{PAYLOAD}/{path}")


@dataclass(slots=True)
class FoundVolumes:
    """What is in the folders: finished volumes, findings, and whether a volume was refused."""

    volumes: list[FoundVolume] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    refused: bool = False


def find_volumes(
    folders: Sequence[Path], *, progress: Progress | None = None, stop: Stop | None = None
) -> FoundVolumes:
    """Find the volumes in these folders: each is a volume itself, or has volumes in it.

    Raises InputError for what is no folder, or where there is no volume at all; UnfinishedError when one cannot be
    listed; StoppedError when `stop` was set.
    """
    found = FoundVolumes()
    progress = progress or Silent()
    seen: set[tuple[int, int]] = set()
    nothing = []
    for folder in folders:
        roots = list(_roots(folder))
        if not roots:
            nothing.append(str(folder))
        for root in roots:
            status = root.stat()
            if (status.st_dev, status.st_ino) not in seen:
                seen.add((status.st_dev, status.st_ino))
                _look_at(root, found, progress, stop)
    _drop_unread(found)
    if nothing:
        raise InputError(
            f"there is no volume of a media set in {', '.join(nothing)}",
            hint="name the volume's folder, or the top folder of its medium",
            problems=found.findings,
        )
    return found


def _drop_unread(found: FoundVolumes) -> None:
    """Report volumes whose index cannot be read; they hide no other volume."""
    wrong: dict[bytes, InputError | None] = {}
    for volume in found.volumes:
        if volume.index not in wrong:
            wrong[volume.index] = None
            try:
                read_index(volume.index, where=str(volume.root / INDEX))
            except InputError as error:
                wrong[volume.index] = error
        problem = wrong[volume.index]
        if problem is not None:
            found.refused = True
            hint = problem.hint or "get another copy of it"
            found.findings.append(finding("bad-volume", volume.root.name, f"{volume.root}: {problem.message}", hint))
    found.volumes = [volume for volume in found.volumes if wrong[volume.index] is None]


def _roots(folder: Path) -> Iterator[Path]:
    try:
        names = sorted(os.listdir(folder))
    except NotADirectoryError as error:
        raise InputError(
            "this is a file", where=str(folder), hint="name the folder of the volume, or of its medium"
        ) from error
    except FileNotFoundError as error:
        raise InputError("there is no such folder", where=str(folder), hint="is the medium mounted?") from error
    except OSError as error:
        raise UnfinishedError(f"the folder cannot be listed: {error.strerror}", where=str(folder)) from error
    marked = {name.lower() for name in names} & _VOLUME_NAMES == {MARK.lower()}
    if _is_volume(folder, names) and not marked:
        yield folder
        return
    found = []
    for name in names[:_MAX_FOLDERS]:
        below = folder / name
        with suppress(OSError):  # system folders on a medium are often closed to users
            if stat.S_ISDIR(below.lstat().st_mode) and _is_volume(below, sorted(os.listdir(below))):
                found.append(below)
    yield from found or ([folder] if marked else [])


def _is_volume(folder: Path, names: Sequence[str]) -> bool:
    """True for a volume, finished or not, even where names lost their case or were cut to 8.3."""
    lower = {name.lower() for name in names}
    if lower & {INDEX, MANIFEST, MARK.lower()} or (DECLARATION in lower and PAYLOAD in lower):
        return True
    return PAYLOAD in lower and any(_starts(folder / name, _BEGINS) for name in names)


def _starts(path: Path, beginning: bytes) -> bool:
    with suppress(OSError):
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            return os.read(fd, len(beginning)) == beginning
        finally:
            os.close(fd)
    return False


def _look_at(root: Path, found: FoundVolumes, progress: Progress, stop: Stop | None) -> None:
    """Look at one volume; add it to `found`, or a finding why it is none."""
    if stop is not None:
        stop.check()
    try:
        top = set(os.listdir(root))
        if not any(name.lower() == DECLARATION for name in top):
            message = f"{root} was not finished: there is no {DECLARATION}, the file that is written last"
            found.findings.append(
                finding("bad-volume", root.name, message, "write it again, or get another copy of it")
            )
            return
        volume = _whole(root, progress, stop) if {*_TEXTS, PAYLOAD} <= top else _renamed(root)
    except RefusedError as error:
        found.refused = True
        found.findings += error.problems
        found.findings.append(finding("bad-volume", root.name, error.message, error.hint))
    except StoppedError:
        raise
    except (KeeperError, OSError) as error:
        message = error.message if isinstance(error, KeeperError) else (error.strerror or str(error))
        problems = error.problems if isinstance(error, KeeperError) else ()
        found.findings += [*problems, finding("unreadable", root.name, f"{root}: {message}", "try again")]
    else:
        found.volumes.append(volume)
        found.findings += volume.findings


def _whole(root: Path, progress: Progress, stop: Stop | None) -> FoundVolume:
    """A volume whose texts all have their own names. Raises RefusedError, UnfinishedError, OSError."""
    bag = bags.read_bag(root, progress=progress, stop=stop)
    index, signature = bag.read(INDEX, limits.SET_INDEX_BYTES), bag.read(SIGNATURE, limits.SIGNATURE_BYTES)
    listed = {path: sums for path, sums in bag.tags.items() if path in _TEXTS}
    texts = bags.verify_bag(replace(bag, payload={}, tags=listed), progress=progress, workers=1, stop=stop)
    damaged = [problem for problem in texts.findings if problem.code != "unreadable"]
    if damaged:
        raise RefusedError(f"{root}: its texts are damaged", hint="get another copy of it", problems=damaged)
    problems = [p for p in bag.findings if not p.subject.startswith(f"{PAYLOAD}/") or p.code != "missing"]
    if not any((algorithm_of(path) or ("", False))[1] for path in bag.files):
        message = "the volume has no tag manifest, so its lists cannot be verified"
        hint = "do not trust its lists; get another copy of it"
        problems.append(finding("bad-volume", "tagmanifest-sha256.txt", message, hint))
    payload = {path: sums.get("sha256", "") for path, sums in bag.payload.items()}
    found = tuple(replace(p, subject=f"{root.name}/{p.subject}") for p in (*problems, *texts.findings))
    return FoundVolume(root, index, signature, bag.files, payload, bag.tags, findings=found)


def _renamed(root: Path) -> FoundVolume:
    """A volume whose texts lost their names: the index and its signature are recognised by how they begin.

    The signed index names every file of the payload, so the lists of such a bag are not needed.
    """
    files: dict[str, WalkEntry] = {}
    for entry in walk(root, max_entries=bags.MAX_FILES, max_depth=bags.MAX_DEPTH):
        if entry.kind is EntryKind.FILE:
            files[entry.path] = entry
        elif entry.kind in {EntryKind.SYMLINK, EntryKind.FIFO, EntryKind.SOCKET, EntryKind.DEVICE, EntryKind.LOOP}:
            raise RefusedError(f"{root / entry.path} is {WORDS[entry.kind]}, which is not allowed in a volume")
    top = [entry for path, entry in files.items() if "/" not in path]
    index = _first(top, INDEX, _BEGINS, limits.SET_INDEX_BYTES)
    signature = _first(top, SIGNATURE, _ARMOUR, limits.SIGNATURE_BYTES)
    if index is None or signature is None:
        lacking = INDEX if index is None else SIGNATURE
        raise RefusedError(f"{root} has no {lacking}, under any name", hint="get another copy of the volume")
    lower = {path.lower(): path for path in files}
    problems = []
    for name in _TEXTS:
        if name in files:
            continue
        other = {INDEX: index[0], SIGNATURE: signature[0]}.get(name, lower.get(name))
        if other is None and not any(_is_mangled(entry.path, name) for entry in top):
            message, hint = "it is not there, under any name", "copy the whole volume again"
            problems.append(finding("missing", f"{root.name}/{name}", message, hint))
            continue
        message = f"{name} is not here under its name" if other is None else f"{name} is here under the name {other}"
        problems.append(finding("misnamed", root.name, message, _KEEP_NAMES))
    folder = next((path.partition("/")[0] for path in files if path.lower().startswith(f"{PAYLOAD}/")), PAYLOAD)
    if folder != PAYLOAD:
        message = f"the folder {PAYLOAD} is here under the name {folder}"
        problems.append(finding("misnamed", root.name, message, _KEEP_NAMES))
    return FoundVolume(root, index[1], signature[1], files, None, findings=tuple(problems))


def _is_mangled(found: str, name: str) -> bool:
    """True when an old file system may have made `found` of a long name: cut to eight letters or more, or to six, or
    two and a hash of four, before a tilde; the ending is not compared.

    VFAT's short names and those of ISO 9660, from memory.
    """
    stem, tilde, _ = (found.rpartition(".")[0] or found).lower().partition("~")
    whole, head = (re.sub("[^0-9a-z]", "", text) for text in (name, stem))
    if not tilde:
        return len(head) >= 8 and whole.startswith(head)
    return len(head) > 1 and (whole.startswith(head) or (whole[:2] == head[:2] and bool(_HASH.fullmatch(head[2:]))))


_HASH = re.compile("[0-9a-f]{4}")
_KEEP_NAMES = "copy it with a program and to a file system that keep names"


def _first(entries: Sequence[WalkEntry], name: str, beginning: bytes, limit: int) -> tuple[str, bytes] | None:
    """Name and bytes of the file of this name, else of the first that begins like it. Raises OSError."""
    by_name = sorted(entries, key=lambda e: (e.path != name, e.path.lower() != name, e.path))
    for entry in by_name:
        if entry.size > limit:
            continue
        fd = entry.open()
        try:
            if os.pread(fd, len(beginning), 0) == beginning or entry.path.lower() == name:
                with os.fdopen(os.dup(fd), "rb") as file:
                    return entry.path, file.read(limit + 1)[:limit]
        finally:
            os.close(fd)
    return None


def only_set(volumes: Sequence[FoundVolume]) -> tuple[SetIndex, FoundVolume]:
    """The index that all the volumes share, read but not trusted yet, and the first of the volumes.

    Raises RefusedError naming the volumes when they are of several sets or their indexes contradict each other;
    InputError for what is no index.
    """
    by_index: dict[bytes, list[FoundVolume]] = {}
    for volume in volumes:
        by_index.setdefault(volume.index, []).append(volume)
    read = [(read_index(data, where=str(rows[0].root / INDEX)), rows) for data, rows in by_index.items()]
    if len(read) == 1:
        return read[0][0], read[0][1][0]
    one_id = len({index.set_id for index, _ in read}) == 1
    members = [
        finding("bad-volume", volume.root.name, f"{volume.root} is of the set {index.name} ({index.set_id})")
        for index, rows in read
        for volume in rows
    ]
    if one_id:
        message = "volumes of one set have different indexes: they contradict each other"
        raise RefusedError(message, hint="ask the set's maker which one is theirs", problems=members)
    raise RefusedError(
        f"these are volumes of {len(read)} sets",
        hint=f"receive one set at a time, for example: bundlekeeper media receive {read[0][1][0].root}",
        problems=members,
    )


def numbered(volumes: Sequence[FoundVolume], index: SetIndex) -> list[FoundVolume]:
    """The volumes with their numbers. Raises RefusedError for one that the index does not describe."""
    expected: dict[int, dict[str, str]] = {}
    for file in index.files:
        for part in file.parts:
            expected.setdefault(part.volume, {})[f"{PAYLOAD}/{part.path}"] = part.sha256
    return [_numbered(volume, index, expected) for volume in volumes]


def _numbered(volume: FoundVolume, index: SetIndex, expected: Mapping[int, Mapping[str, str]]) -> FoundVolume:
    if volume.payload is not None:
        for number in range(1, index.volumes + 1):
            if expected.get(number, {}) == volume.payload:
                return replace(volume, number=number)
        raise RefusedError(
            f"the files that {volume.root} lists are not those of any volume of its set",
            hint="its manifest is of another volume, or was changed; get another copy",
            where=str(volume.root / MANIFEST),
        )
    return replace(volume, number=_best_fit(volume, index))


def _best_fit(volume: FoundVolume, index: SetIndex) -> int:
    """The number of the volume that fits best by the files' sizes, where the names are lost: most bytes are there."""
    sizes = Counter(entry.size for entry in volume.files.values())
    expected: dict[int, Counter[int]] = {}
    for file in index.files:
        for part in () if file.common else file.parts:
            expected.setdefault(part.volume, Counter())[part.size] += 1
    scores = {n: sum(size * count for size, count in (own & sizes).items()) for n, own in expected.items()}
    return max(sorted(scores), key=lambda n: scores[n], default=1)
