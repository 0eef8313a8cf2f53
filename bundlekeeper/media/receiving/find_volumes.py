"""The volumes of a media set that lie in the folders a user names: looked at, held against the signed index.

Rules: nothing is believed yet, so every text that is read has a limit, and no payload is read;
a folder without bagit.txt was not finished; a volume holds exactly the files that the index says of one of its volumes;
names that a FAT file system or a careless copy changed are reported and found again by size and digest; links and devices
make a volume refused; what is wrong with one volume hides no other.
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
#: The texts that a volume cannot do without.
_TEXTS = (DECLARATION, MANIFEST, INDEX, SIGNATURE)
#: How an index begins: canonical JSON, whose first key is "files" (model.media.index).
_BEGINS = b'{"files":['
#: What a folder holds that is a volume; the mark of an unfinished one alone may be somebody's own note.
_PARTS = {INDEX, MANIFEST, DECLARATION, PAYLOAD, MARK.lower()}
_ARMOUR = b"-----BEGIN SSH SIGNATURE-----"
_MAX_FOLDERS = 2000


@dataclass(frozen=True, slots=True)
class FoundVolume:
    """One finished volume: its folder, the bytes of its index and of the signature, every regular file by its path.

    `number` is 0 until `number_of` told which volume of the set it is; `payload` is what the bag's manifest says of
    its files, None where that file has lost its name; `tags` what its tag manifests say of the texts beside them.
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
class Look:
    """What lies in the folders: finished volumes, what was found, and whether something was refused."""

    volumes: list[FoundVolume] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    refused: bool = False


def look(folders: Sequence[Path], *, progress: Progress | None = None, stop: Stop | None = None) -> Look:
    """Find the volumes in these folders: each is a volume itself, or holds volumes.

    Raises InputError for a folder that is none, or where there is no volume at all; UnfinishedError when one cannot be
    listed; StoppedError when `stop` was set.
    """
    found = Look()
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
            f"no volume of a media set lies in {', '.join(nothing)}",
            hint="name the volume's folder, or the medium's top folder that holds it",
            problems=found.findings,
        )
    return found


def _drop_unread(found: Look) -> None:
    """Tell of volumes whose index is none that can be read; it hides no other volume."""
    wrong: dict[bytes, InputError | None] = {}
    for volume in found.volumes:
        if volume.index not in wrong:
            wrong[volume.index] = None
            try:
                read_index(volume.index, where=str(volume.root / INDEX))
            except InputError as error:
                wrong[volume.index] = error
        trouble = wrong[volume.index]
        if trouble is not None:
            found.refused = True
            hint = trouble.hint or "bring another copy of it"
            found.findings.append(finding("bad-volume", volume.root.name, f"{volume.root}: {trouble.message}", hint))
    found.volumes = [volume for volume in found.volumes if wrong[volume.index] is None]


def _roots(folder: Path) -> Iterator[Path]:
    try:
        names = sorted(os.listdir(folder))
    except NotADirectoryError as error:
        raise InputError(
            "this is a file", where=str(folder), hint="name the volume's folder, or the medium's"
        ) from error
    except FileNotFoundError as error:
        raise InputError("there is no such folder", where=str(folder), hint="is the medium mounted?") from error
    except OSError as error:
        raise UnfinishedError(f"the folder cannot be listed: {error.strerror}", where=str(folder)) from error
    marked = {name.lower() for name in names} & _PARTS == {MARK.lower()}
    if _is_volume(folder, names) and not marked:
        yield folder
        return
    found = []
    for name in names[:_MAX_FOLDERS]:
        below = folder / name
        with suppress(OSError):  # folders of the system on a medium are often closed to its users
            if stat.S_ISDIR(below.lstat().st_mode) and _is_volume(below, sorted(os.listdir(below))):
                found.append(below)
    yield from found or ([folder] if marked else [])


def _is_volume(folder: Path, names: Sequence[str]) -> bool:
    """True for what is, or was to become, a volume, even where names lost their case or were cut to 8.3."""
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


def _look_at(root: Path, found: Look, progress: Progress, stop: Stop | None) -> None:
    """Look at one volume; what it is, or why it is none, goes to `found`."""
    if stop is not None:
        stop.check()
    try:
        top = set(os.listdir(root))
        if not any(name.lower() == DECLARATION for name in top):
            message = f"{root} was not finished: there is no {DECLARATION}, which is written last"
            found.findings.append(
                finding("bad-volume", root.name, message, "write it again, or bring another copy of it")
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
    """A volume whose texts all have their names. Raises RefusedError, UnfinishedError, OSError."""
    bag = bags.read_bag(root, progress=progress, stop=stop)
    index, signature = bag.read(INDEX, limits.SET_INDEX_BYTES), bag.read(SIGNATURE, limits.SIGNATURE_BYTES)
    due = {path: sums for path, sums in bag.tags.items() if path in _TEXTS}
    texts = bags.verify_bag(replace(bag, payload={}, tags=due), progress=progress, workers=1, stop=stop)
    damaged = [each for each in texts.findings if each.code != "unreadable"]
    if damaged:
        raise RefusedError(f"{root}: its texts were damaged", hint="bring another copy of it", problems=damaged)
    told = [each for each in bag.findings if not each.subject.startswith(f"{PAYLOAD}/") or each.code != "missing"]
    if not any((algorithm_of(path) or ("", False))[1] for path in bag.files):
        message = "the volume has no tag manifest, so nothing verifies its lists"
        hint = "believe none of them; bring another copy of it"
        told.append(finding("bad-volume", "tagmanifest-sha256.txt", message, hint))
    payload = {path: sums.get("sha256", "") for path, sums in bag.payload.items()}
    found = tuple(replace(each, subject=f"{root.name}/{each.subject}") for each in (*told, *texts.findings))
    return FoundVolume(root, index, signature, bag.files, payload, bag.tags, findings=found)


def _renamed(root: Path) -> FoundVolume:
    """A volume whose texts lost their names: the index and its signature are known by how they begin.

    The signed index names every byte of the payload, so that nothing is believed on the word of a bag without names.
    """
    files: dict[str, WalkEntry] = {}
    for entry in walk(root, max_entries=bags.MAX_FILES, max_depth=bags.MAX_DEPTH):
        if entry.kind is EntryKind.FILE:
            files[entry.path] = entry
        elif entry.kind in {EntryKind.SYMLINK, EntryKind.FIFO, EntryKind.SOCKET, EntryKind.DEVICE, EntryKind.LOOP}:
            raise RefusedError(f"{root / entry.path} is {WORDS[entry.kind]}, which has no place in a volume")
    top = [entry for path, entry in files.items() if "/" not in path]
    index = _first(top, INDEX, _BEGINS, limits.SET_INDEX_BYTES)
    signature = _first(top, SIGNATURE, _ARMOUR, limits.SIGNATURE_BYTES)
    if index is None or signature is None:
        lacking = INDEX if index is None else SIGNATURE
        raise RefusedError(f"{root} has no {lacking}, under any name", hint="bring another copy of the volume")
    lower = {path.lower(): path for path in files}
    told = []
    for name in _TEXTS:
        if name in files:
            continue
        other = {INDEX: index[0], SIGNATURE: signature[0]}.get(name, lower.get(name))
        if other is None and not any(_is_mangled(entry.path, name) for entry in top):
            message, hint = "it is not there, under no name", "copy the volume again, whole"
            told.append(finding("missing", f"{root.name}/{name}", message, hint))
            continue
        message = f"{name} is not here under its name" if other is None else f"{name} is here under the name {other}"
        told.append(finding("misnamed", root.name, message, _KEEP_NAMES))
    folder = next((path.partition("/")[0] for path in files if path.lower().startswith(f"{PAYLOAD}/")), PAYLOAD)
    if folder != PAYLOAD:
        message = f"the folder {PAYLOAD} is here under the name {folder}"
        told.append(finding("misnamed", root.name, message, _KEEP_NAMES))
    return FoundVolume(root, index[1], signature[1], files, None, findings=tuple(told))


def _is_mangled(found: str, name: str) -> bool:
    """True when an old file system may have made `found` of a long name: cut to eight letters or more, or to six, or
    two and a hash of four, before a tilde; the ending counts for nothing.

    VFAT's short names and those of ISO 9660, from memory.
    """
    stem, tilde, _ = (found.rpartition(".")[0] or found).lower().partition("~")
    whole, head = (re.sub("[^0-9a-z]", "", text) for text in (name, stem))
    if not tilde:
        return len(head) >= 8 and whole.startswith(head)
    return len(head) > 1 and (whole.startswith(head) or (whole[:2] == head[:2] and bool(_HASH.fullmatch(head[2:]))))


_HASH = re.compile("[0-9a-f]{4}")
_KEEP_NAMES = "copy with a file system and program that keep names"


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
    """The index that all the volumes share, read but not believed yet, and the first of them.

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
    told = [
        finding("bad-volume", volume.root.name, f"{volume.root} is of the set {index.name} ({index.set_id})")
        for index, rows in read
        for volume in rows
    ]
    if one_id:
        message = "volumes that claim to be of one set carry different indexes: they contradict each other"
        raise RefusedError(message, hint="ask the set's maker which is theirs", problems=told)
    raise RefusedError(
        f"volumes of {len(read)} sets lie here together",
        hint=f"receive one set at a time, such as: bundlekeeper media receive {read[0][1][0].root}",
        problems=told,
    )


def numbered(volumes: Sequence[FoundVolume], index: SetIndex) -> list[FoundVolume]:
    """The volumes with their numbers. Raises RefusedError when one is none that the index tells of."""
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
            f"{volume.root} does not list what the index of its set says of any volume",
            hint="its manifest was made by somebody else, or belongs to another volume; bring another copy",
            where=str(volume.root / MANIFEST),
        )
    return replace(volume, number=_likeliest(volume, index))


def _likeliest(volume: FoundVolume, index: SetIndex) -> int:
    """Which volume's files are there by their sizes, where the names are gone: the one of which most bytes are."""
    sizes = Counter(entry.size for entry in volume.files.values())
    wanted: dict[int, Counter[int]] = {}
    for file in index.files:
        for part in () if file.common else file.parts:
            wanted.setdefault(part.volume, Counter())[part.size] += 1
    scores = {n: sum(size * count for size, count in (own & sizes).items()) for n, own in wanted.items()}
    return max(sorted(scores), key=lambda n: scores[n], default=1)
