"""What lies on a volume beside its payload, held against the set's signed index.

Rules: nothing is looked at before the index is trusted; a text is read only where its size is the one that the index
says, so that no read is longer than what was signed; the lists, which name the index and so cannot be named by it, must
say of every file what it is, and no more; whatever is found here hinders no payload, which the index verifies by itself.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats import limits
from bundlekeeper.media.receiving.find_volumes import INDEX, SIGNATURE, FoundVolume
from bundlekeeper.media.volume.bag_text import DECLARATION, PAYLOAD, algorithm_of
from bundlekeeper.media.volume.tag_files import SUMS, TOOL, sums_text
from bundlekeeper.model.media.index import SetIndex
from bundlekeeper.model.progress import Progress
from bundlekeeper.store.disk.walk import WalkEntry
from bundlekeeper.verification.hashing.door import Stop, Task, digest_many

_DISTRUST = "believe it in nothing and run none of it; bring another copy of the volume"


def doubts(volume: FoundVolume, index: SetIndex, *, progress: Progress, stop: Stop | None) -> list[Finding]:
    """What is wrong with a numbered volume's texts by the index, which is trusted. Raises StoppedError."""
    beside = {path: entry for path, entry in volume.files.items() if path.partition("/")[0].lower() != PAYLOAD}
    texts = _Texts(volume, index, beside)
    texts.read(progress, stop)
    found = [*texts.against_index(), *texts.strays(), *texts.against_lists()]
    return sorted(found, key=lambda each: each.subject)


class _Texts:
    """The files of one volume beside its payload."""

    def __init__(self, volume: FoundVolume, index: SetIndex, beside: Mapping[str, WalkEntry]) -> None:
        self._volume, self._beside = volume, beside
        self._due = index.texts_on(volume.number)
        self._named = volume.payload is not None  # else by what is left of the names, and by size and digest
        self._lower = {path.lower(): path for path in beside}
        self._digests: dict[str, str] = {}
        self._unread: dict[str, str] = {}

    def read(self, progress: Progress, stop: Stop | None) -> None:
        """The digests of all that may be a text of the index, or a list. Raises StoppedError."""
        sizes = {text.size for text in self._due.values()}
        tasks = []
        for path, entry in self._beside.items():
            bounded = entry.size <= limits.TAG_BYTES if self._is_list(path) else self._may_be(path, entry.size, sizes)
            if bounded:
                tasks.append(Task(path, entry.open, entry.size, ("sha256",)))
        progress.begin("the texts of the volume", sum(task.size for task in tasks), len(tasks))
        try:
            for done in digest_many(tasks, on_bytes=progress.advance, on_file=progress.file, stop=stop):
                if done.digest is None or done.changed:
                    message = done.error.strerror if done.error is not None else "it changed while it was read"
                    self._unread[done.task.key] = message or "unknown error"
                else:
                    self._digests[done.task.key] = done.digest.sha256
        finally:
            progress.done()

    def _may_be(self, path: str, size: int, sizes: set[int]) -> bool:
        if not self._named:
            return size in sizes
        return path in self._due and self._due[path].size == size

    def against_index(self) -> Iterator[Finding]:
        """Each text that the index names."""
        with_tool = any(path.startswith(f"{TOOL}/") for path in self._beside)
        for path, text in self._due.items():
            here = path if self._named else self._lower.get(path.lower(), path)
            if here in self._beside:
                if here in self._unread:
                    yield self._told("unreadable", path, f"could not be read: {self._unread[here]}", "try again")
                elif self._digests.get(here) != text.sha256:
                    message = "is not what the set's signed index says: it was replaced or damaged"
                    yield self._told("altered", path, message, _DISTRUST)
            elif not self._named and text.sha256 in self._digests.values():
                continue  # under a name that was cut
            elif path not in self._volume.tags and (with_tool or not path.startswith(f"{TOOL}/")):
                message = "the set's signed index names it, and it is not there"
                yield self._told("missing", path, message, "bring another copy of the volume")

    def strays(self) -> Iterator[Finding]:
        """What is neither of the index nor a list; where names are lost, what lies in the tool's folder alone."""
        known = {text.sha256 for text in self._due.values()}
        for path in self._beside:
            own = path in self._due or path in (INDEX, SIGNATURE, DECLARATION) or self._is_list(path)
            if not self._named:
                own = not path.lower().startswith(f"{TOOL}/") or self._digests.get(path) in known
            if not own:
                message = "lies in the volume's folder, and the set's signed index does not name it"
                yield self._told("extra", path, message, "it is not of the set: run none of it")

    def against_lists(self) -> Iterator[Finding]:
        """Each list by the tag manifest, and SHA256SUMS by the files themselves."""
        stated = self._volume.tags
        for path in filter(self._is_list, self._beside):
            if path in self._unread:
                yield self._told("unreadable", path, f"could not be read: {self._unread[path]}", "try again")
            elif path not in self._digests:
                yield self._told("altered", path, f"is larger than any list of a volume, {limits.TAG_BYTES} bytes")
            elif path == SUMS and stated and self._digests[path] != self._sums():
                message = "does not say what lies on the volume, by the signed index and the volume's other lists"
                yield self._told("altered", path, message, _DISTRUST)
            elif path != SUMS and self._digests[path] != stated.get(path, {}).get("sha256", self._digests[path]):
                yield self._told("altered", path, "is not what the tag manifest says: it was damaged", _DISTRUST)
        if self._named and SUMS not in self._beside and SUMS not in stated:
            yield self._told("missing", SUMS, "every volume is written with it", "bring another copy of the volume")

    def _sums(self) -> str:
        """The SHA-256 that SHA256SUMS must have."""
        texts = {path: sums.get("sha256", "") for path, sums in self._volume.tags.items()}
        texts |= {path: digest for path, digest in self._digests.items() if path in texts}
        return hashlib.sha256(sums_text(texts, self._volume.payload or {})).hexdigest()

    def _is_list(self, path: str) -> bool:
        return self._named and (path == SUMS or algorithm_of(path) is not None)

    def _told(self, code: str, path: str, message: str, hint: str = _DISTRUST) -> Finding:
        return finding(code, f"{self._volume.root.name}/{path}", message, hint)
