"""Compares what is on a volume beside its payload with the set's signed index.

Rules: nothing is looked at before the index is trusted; a text is read only where it has the size that the index
states, so that no read is longer than what was signed; the lists, which name the index and so cannot be named by it,
must list every file with its checksum, and nothing else; a finding here does not stop the payload: the index verifies
that.
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

_DISTRUST = "do not trust it and do not run it; get another copy of the volume"


def doubts(volume: FoundVolume, index: SetIndex, *, progress: Progress, stop: Stop | None) -> list[Finding]:
    """What is wrong with a numbered volume's texts, by the trusted index. Raises StoppedError."""
    beside = {path: entry for path, entry in volume.files.items() if path.partition("/")[0].lower() != PAYLOAD}
    texts = _Texts(volume, index, beside)
    texts.read(progress, stop)
    found = [*texts.compare_with_index(), *texts.strays(), *texts.compare_with_lists()]
    return sorted(found, key=lambda problem: problem.subject)


class _Texts:
    """The files of one volume beside its payload."""

    def __init__(self, volume: FoundVolume, index: SetIndex, beside: Mapping[str, WalkEntry]) -> None:
        self._volume, self._beside = volume, beside
        self._named_texts = index.texts_on(volume.number)
        self._named = volume.payload is not None  # else by size and digest, and what is left of the names
        self._lower = {path.lower(): path for path in beside}
        self._digests: dict[str, str] = {}
        self._unread: dict[str, str] = {}

    def read(self, progress: Progress, stop: Stop | None) -> None:
        """Read the digests of the files that may be a text of the index, or a list. Raises StoppedError."""
        sizes = {text.size for text in self._named_texts.values()}
        tasks = []
        for path, entry in self._beside.items():
            bounded = entry.size <= limits.TAG_BYTES if self._is_list(path) else self._may_be(path, entry.size, sizes)
            if bounded:
                tasks.append(Task(path, entry.open, entry.size, ("sha256",)))
        progress.begin("reading the texts of the volume", sum(task.size for task in tasks), len(tasks))
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
        return path in self._named_texts and self._named_texts[path].size == size

    def compare_with_index(self) -> Iterator[Finding]:
        """Each text that the index names."""
        with_tool = any(path.startswith(f"{TOOL}/") for path in self._beside)
        for path, text in self._named_texts.items():
            here = path if self._named else self._lower.get(path.lower(), path)
            if here in self._beside:
                if here in self._unread:
                    yield self._problem("unreadable", path, f"could not be read: {self._unread[here]}", "try again")
                elif self._digests.get(here) != text.sha256:
                    message = "differs from the set's signed index: it was replaced or damaged"
                    yield self._problem("altered", path, message, _DISTRUST)
            elif not self._named and text.sha256 in self._digests.values():
                continue  # under a name that was cut
            elif path not in self._volume.tags and (with_tool or not path.startswith(f"{TOOL}/")):
                message = "the set's signed index names it, but it is not there"
                yield self._problem("missing", path, message, "get another copy of the volume")

    def strays(self) -> Iterator[Finding]:
        """Files that are neither in the index nor lists; where names are lost, only those in the tool's folder."""
        known = {text.sha256 for text in self._named_texts.values()}
        for path in self._beside:
            own = path in self._named_texts or path in (INDEX, SIGNATURE, DECLARATION) or self._is_list(path)
            if not self._named:
                own = not path.lower().startswith(f"{TOOL}/") or self._digests.get(path) in known
            if not own:
                message = "is in the volume's folder, but the set's signed index does not name it"
                yield self._problem("extra", path, message, "it is not part of the set: do not run it")

    def compare_with_lists(self) -> Iterator[Finding]:
        """Each list by the tag manifest, and SHA256SUMS by the files themselves."""
        stated = self._volume.tags
        for path in filter(self._is_list, self._beside):
            if path in self._unread:
                yield self._problem("unreadable", path, f"could not be read: {self._unread[path]}", "try again")
            elif path not in self._digests:
                yield self._problem("altered", path, f"is larger than {limits.TAG_BYTES} bytes, the limit for a list")
            elif path == SUMS and stated and self._digests[path] != self._sums():
                message = "differs from the signed index and the volume's other lists"
                yield self._problem("altered", path, message, _DISTRUST)
            elif path != SUMS and self._digests[path] != stated.get(path, {}).get("sha256", self._digests[path]):
                yield self._problem("altered", path, "differs from the tag manifest: it was damaged", _DISTRUST)
        if self._named and SUMS not in self._beside and SUMS not in stated:
            yield self._problem(
                "missing", SUMS, "it is not there, but every volume has it", "get another copy of the volume"
            )

    def _sums(self) -> str:
        """The SHA-256 that SHA256SUMS must have."""
        texts = {path: sums.get("sha256", "") for path, sums in self._volume.tags.items()}
        texts |= {path: digest for path, digest in self._digests.items() if path in texts}
        return hashlib.sha256(sums_text(texts, self._volume.payload or {})).hexdigest()

    def _is_list(self, path: str) -> bool:
        return self._named and (path == SUMS or algorithm_of(path) is not None)

    def _problem(self, code: str, path: str, message: str, hint: str = _DISTRUST) -> Finding:
        return finding(code, f"{self._volume.root.name}/{path}", message, hint)
