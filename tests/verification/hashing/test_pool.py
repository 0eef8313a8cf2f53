"""Many files at once: every file has its outcome, one bad file harms no other, and nothing runs on afterwards."""

from __future__ import annotations

import errno
import hashlib
import os
import random
import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import NoReturn

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import RefusedError, StoppedError, UnfinishedError
from bundlekeeper.verification.hashing import one_pass
from bundlekeeper.verification.hashing.door import Digest, DigestOutcome, Stop, Task, digest_many
from tests.kits.digest_kit import nothing_left
from tests.kits.sure import PATIENCE_S, wait_for_tick


@pytest.fixture(autouse=True)
def _nothing_left() -> Iterator[None]:
    with nothing_left():
        yield


def _task(path: Path, size: int = 0, algorithms: tuple[str, ...] = ("sha256",)) -> Task:
    return Task(str(path), partial(os.open, path, os.O_RDONLY), size, algorithms)


def _files(folder: Path, *sizes: int) -> list[Task]:
    tasks = []
    for number, size in enumerate(sizes):
        path = folder / f"{number}"
        path.write_bytes(random.Random(number).randbytes(size))
        tasks.append(_task(path, size))
    return tasks


def _is_right(outcome: DigestOutcome) -> bool:
    data = Path(outcome.task.key).read_bytes()
    expected = Digest(len(data), {name: hashlib.new(name, data).hexdigest() for name in outcome.task.algorithms})
    return outcome.digest == expected and outcome.error is None and not outcome.changed


@pytest.mark.parametrize("workers", [None, 1, 2, 5, 64])
@pytest.mark.parametrize("count", [0, 1, 2, 3, 40])
def test_every_file_has_its_outcome(tmp_path: Path, workers: int | None, count: int) -> None:
    tasks = _files(tmp_path, *(random.Random(n).choice([0, 1, 70_000, 1 << 20, 3_000_000]) for n in range(count)))
    outcomes = list(digest_many(iter(tasks), workers=workers))
    assert sorted(o.task.key for o in outcomes) == sorted(t.key for t in tasks)
    assert all(_is_right(o) for o in outcomes)


def test_an_outcome_says_how_long_its_read_took(tmp_path: Path) -> None:
    """By the clock that is given: from before the file is opened to after its read, of one that fails, too."""
    now_s = 0.0

    def slow_open(path: Path) -> int:
        nonlocal now_s
        now_s += 3.0
        return os.open(path, os.O_RDONLY)

    [good] = _files(tmp_path, 10)
    tasks = [Task(good.key, partial(slow_open, Path(good.key)), 10), Task("b", partial(slow_open, tmp_path / "b"), 1)]
    outcomes = list(digest_many(iter(tasks), workers=1, monotonic=lambda: now_s))
    assert [(o.seconds, o.error is None) for o in outcomes] == [(3.0, True), (3.0, False)]


@settings(max_examples=25)
@given(sizes=st.lists(st.integers(0, 5000), max_size=12), bad=st.sets(st.integers(0, 11)), workers=st.integers(1, 4))
def test_a_bad_file_harms_no_other(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int], bad: set[int], workers: int
) -> None:
    """ "EIO while verifying: 'unreadable', not 'altered'; go on": whichever files are bad."""
    tasks = _files(tmp_path_factory.mktemp("files"), *sizes)
    wrong = {tasks[n].key for n in bad if n < len(tasks)}
    mixed = [_task(Path("/proc/self/mem")) if t.key in wrong else t for t in tasks]
    outcomes = list(digest_many(mixed, workers=workers))
    failed = [o for o in outcomes if o.error is not None]
    assert len(outcomes) == len(tasks)
    assert all(o.digest is None and o.error is not None and o.error.errno == errno.EIO for o in failed)
    assert len(failed) == len(wrong)
    assert all(_is_right(o) for o in outcomes if o.error is None)


def test_a_file_that_does_not_open(tmp_path: Path) -> None:
    outcomes = {o.task.key: o for o in digest_many([_task(tmp_path / "none"), _task(tmp_path)])}
    none, folder = outcomes[str(tmp_path / "none")], outcomes[str(tmp_path)]
    assert isinstance(none.error, FileNotFoundError)
    assert (none.digest, none.before, none.after, none.changed) == (None, None, None, True)
    assert isinstance(folder.error, IsADirectoryError)
    assert folder.before is not None


@pytest.mark.parametrize("size", [3_000_000, one_pass.RING_BYTES * 2])
def test_several_algorithms(tmp_path: Path, size: int) -> None:
    (tmp_path / "a").write_bytes(random.Random(1).randbytes(size))
    (outcome,) = digest_many([_task(tmp_path / "a", size, ("sha384", "sha256"))])
    assert _is_right(outcome)


@pytest.mark.parametrize("change", ["grow", "shrink", "rewrite", "hide"])
def test_a_change_during_the_read_is_seen(tmp_path: Path, change: str) -> None:
    """Source changes while hashed: fstat before and after compared."""
    (task,) = _files(tmp_path, 3 << 20)
    path = Path(task.key)

    def on_bytes(count: int) -> None:
        wait_for_tick(path)
        if change in {"grow", "shrink"}:
            os.truncate(path, path.stat().st_size + (1 if change == "grow" else -1))
        elif change == "rewrite":
            with path.open("r+b") as stream:
                stream.write(b"other")
        else:  # rewritten, and its mtime put back: only the ctime tells
            status = path.stat()
            path.write_bytes(path.read_bytes())
            os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))

    (outcome,) = digest_many([task], on_bytes=on_bytes)
    assert outcome.changed
    assert outcome.digest is not None
    assert outcome.before is not None
    assert outcome.before.st_size == task.size


def test_as_many_files_at_once_as_workers(tmp_path: Path) -> None:
    """Three files are open at the same time, or the barrier would break."""
    meet = threading.Barrier(3)
    tasks = _files(tmp_path, *([10] * 9))

    def meeting(task: Task) -> int:
        meet.wait(timeout=PATIENCE_S)
        return task.open()

    together = [Task(t.key, partial(meeting, t), t.size) for t in tasks]
    assert all(_is_right(o) for o in digest_many(together, workers=3))


def test_tasks_are_drawn_a_few_ahead_and_in_the_callers_thread(tmp_path: Path) -> None:
    taken: list[int] = []
    (one,) = _files(tmp_path, 10)

    def tasks() -> Iterator[Task]:
        for _ in range(1000):
            taken.append(threading.get_ident())
            yield one

    outcomes = digest_many(tasks(), workers=2)
    for number in range(1, 101):
        next(outcomes)
        assert len(taken) <= number + 8
    assert set(taken) == {threading.get_ident()}
    assert sum(1 for _ in outcomes) == 900


def test_progress_is_reported_of_every_file_and_byte(tmp_path: Path) -> None:
    tasks = _files(tmp_path, 0, 5, 3_000_000)
    names: list[str] = []
    counts: list[int] = []
    list(digest_many(tasks, on_bytes=counts.append, on_file=names.append))
    assert sorted(names) == sorted(t.key for t in tasks)
    assert sum(counts) == 3_000_005


@pytest.mark.parametrize("workers", [1, 3])
def test_a_stop_keeps_what_was_finished(tmp_path: Path, workers: int) -> None:
    """ "Interrupt it: what is verified stays verified": nothing is begun after the stop, all that ended is yielded."""
    stop = Stop()
    opened: list[str] = []
    tasks = _files(tmp_path, *([10] * 60))
    taken: list[Task] = []

    def opening(task: Task) -> int:
        opened.append(task.key)
        return task.open()

    def offered() -> Iterator[Task]:
        for task in tasks:
            taken.append(task)
            yield Task(task.key, partial(opening, task), 10)

    came: list[DigestOutcome] = []
    with pytest.raises(StoppedError) as caught:
        for outcome in digest_many(offered(), workers=workers, stop=stop):
            came.append(outcome)
            if len(came) == 5:
                stop.set(143)
                begun, asked_for = len(opened), len(taken)
    assert caught.value.exit_code == 143
    assert all(_is_right(o) for o in came)
    assert len(opened) - begun <= workers
    assert len(taken) <= asked_for + 1  # one look whether anything is left undone
    assert len(opened) - workers <= len(came) <= len(opened) < len(tasks)


def test_a_stop_before_the_first_file(tmp_path: Path) -> None:
    stop = Stop()
    stop.set()
    with pytest.raises(StoppedError):
        list(digest_many(_files(tmp_path, 10), stop=stop))


def test_a_stop_after_the_last_file_is_no_stop(tmp_path: Path) -> None:
    stop = Stop()
    outcomes = []
    for outcome in digest_many(_files(tmp_path, 10), stop=stop):
        outcomes.append(outcome)
        stop.set()
    assert len(outcomes) == 1


def test_a_generator_that_is_abandoned(tmp_path: Path) -> None:
    """The fixture sees that its threads have ended and its descriptors are closed."""
    outcomes = digest_many(_files(tmp_path, *([3_000_000] * 20)), workers=3)
    assert _is_right(next(outcomes))
    outcomes.close()  # type: ignore[attr-defined]  # an Iterator by its annotation, a generator in fact


@pytest.mark.parametrize("place", ["open", "on_bytes", "on_file", "tasks"])
def test_whatever_is_not_one_files_fault_ends_the_whole(tmp_path: Path, place: str) -> None:
    good = _files(tmp_path, *([100] * 30))

    def raising(*_: object) -> NoReturn:
        raise RefusedError("no")

    def tasks() -> Iterator[Task]:
        yield from good[:10]
        yield Task("bad", raising, 1) if place == "open" else good[10]
        if place == "tasks":
            raising()
        yield from good[11:]

    on_bytes, on_file = (raising if place == name else None for name in ("on_bytes", "on_file"))
    with pytest.raises(RefusedError):
        list(digest_many(tasks(), workers=3, on_bytes=on_bytes, on_file=on_file))


@pytest.mark.parametrize("room", [0, 1])
def test_no_threads_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int) -> None:
    """With space for one all is read by one; with space for none that is said."""
    real = threading.Thread.start
    started: list[threading.Thread] = []

    def start(thread: threading.Thread) -> None:
        if len(started) >= room:
            raise RuntimeError("can't start new thread")
        started.append(thread)
        real(thread)

    monkeypatch.setattr(threading.Thread, "start", start)
    outcomes = digest_many(_files(tmp_path, *([5_000_000] * 5)), workers=4)
    if room:
        assert sum(_is_right(o) for o in outcomes) == 5
    else:
        with pytest.raises(UnfinishedError):
            next(outcomes)
