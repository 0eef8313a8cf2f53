"""Who may be written to at the same time: never both halves of a pair, of one cluster only so many.

Rules: whoever fails stops the rest of its pair; whoever was activated early stops everything that was not begun; a
turn is waited for, and waiting ends with a stop.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from bundlekeeper.model.upload import UploadResult

if TYPE_CHECKING:
    from bundlekeeper.jobs.upload.asked import UploadTarget
    from bundlekeeper.model.stop import Stop

_SLICE_S = 0.25  # how long a wait may go on without looking at the stop flag


class Turns:
    """Gives each target its turn; for any number of threads."""

    def __init__(self, per_cluster: int, stop: Stop) -> None:
        self._per_cluster = per_cluster
        self._stop = stop
        self._changed = threading.Condition()
        self._active: list[UploadTarget] = []
        self._failed: dict[tuple[str, ...], str] = {}  # pair -> the half that failed
        self.early = ""  # the first that was activated although nobody agreed to it

    @contextmanager
    def turn(self, target: UploadTarget) -> Iterator[str]:
        """The target's turn; inside, the half of its pair that failed before, "" for none. Raises StoppedError."""
        with self._changed:
            while not self._is_free(target):
                self._stop.check()
                self._changed.wait(_SLICE_S)
            self._stop.check()
            self._active.append(target)
            before = self._failed.get(target.pair, "") if target.pair else ""
        try:
            yield before
        finally:
            with self._changed:
                self._active.remove(target)
                self._changed.notify_all()

    def ended(self, target: UploadTarget, result: UploadResult, *, is_early: bool = False) -> None:
        """What became of a target, activated early or not; call it inside its turn."""
        if is_early:
            with self._changed:
                self.early = self.early or target.key
        if target.pair and result not in (UploadResult.STAGED, UploadResult.ACTIVATED):
            with self._changed:
                self._failed.setdefault(target.pair, target.key)

    def _is_free(self, target: UploadTarget) -> bool:
        if target.pair and any(other.pair == target.pair for other in self._active):
            return False
        cluster = target.component.cluster
        same = [other for other in self._active if cluster and other.component.cluster == cluster]
        # A cluster that is not known may be any: it goes alone.
        unsure = [other for other in self._active if other.component.parent and other.component.cluster is None]
        if target.component.parent and cluster is None:
            return not [other for other in self._active if other.component.parent]
        return len(same) + len(unsure) < self._per_cluster or not (cluster or unsure)
