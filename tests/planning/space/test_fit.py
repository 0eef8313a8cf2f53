"""Whether images fit, step by step, and what may go, by examples and against a simulation."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.model.versions import Natural
from bundlekeeper.planning.fleet.version_scale import VersionScale
from bundlekeeper.planning.space.fit import Fit, Lying, PartitionSpace, SpaceLoad, SpacePlan, plan_space

SCALE = VersionScale(Natural())
NEW = SpaceLoad("7.0", 100, 200, 10)
FILES = (Lying("4.0", 150), Lying("5.0", 160), Lying("6.0", 200))
ROOM = PartitionSpace("boot-file", 400, FILES, "6.0", "")


def _gone(plan: SpacePlan) -> list[str]:
    return [file.name for _, file in plan.remove]


def test_each_step_tells_what_it_needs_and_what_is_free() -> None:
    """ "Space … at **each step**: image size, unpacked size, temporary room" (issue 5)"""
    plan = plan_space(ROOM, [NEW], SCALE)
    assert plan.fit is Fit.FITS
    assert [(s.doing, s.needs_bytes, s.free_bytes) for s in plan.steps] == [
        ("bring", 100, 400),
        ("unpack", 310, 400),
        ("keep", 200, 400),
    ]


def test_one_byte_decides() -> None:
    """Exactly enough fits; one byte less does not."""
    assert plan_space(replace(ROOM, free_bytes=310), [NEW], SCALE).fit is Fit.FITS
    short = plan_space(replace(ROOM, free_bytes=309), [NEW], SCALE)
    assert short.fit is Fit.AFTER_REMOVAL and _gone(short) == ["4.0"]


def test_never_the_running_the_pending_or_the_only_way_back() -> None:
    """ "never an image that is active, pending or the only way back; or 'cannot fit, short by N bytes'" (issue 5)"""
    plan = plan_space(replace(ROOM, free_bytes=0), [NEW], SCALE)
    assert plan.fit is Fit.SHORT and plan.short_bytes == 310 - 150
    assert dict(plan.kept) == {"5.0": "it is the only way back", "6.0": "it is running"}
    pending = plan_space(replace(ROOM, free_bytes=309, pending="4.0"), [NEW], SCALE)
    assert pending.fit is Fit.SHORT and pending.short_bytes == 1
    assert dict(pending.kept)["4.0"] == "it is pending"


@pytest.mark.parametrize("field", ["lying", "active", "pending"])
def test_nothing_may_go_while_it_is_not_known_what_runs(field: str) -> None:
    """Or somebody deleted the one that is running, or the only way back."""
    changes: dict[str, None] = {field: None}
    plan = plan_space(replace(ROOM, free_bytes=309, **changes), [NEW], SCALE)  # type: ignore[arg-type]  # one at a time
    assert plan.fit is Fit.SHORT and plan.remove == () and plan.short_bytes == 1
    assert plan.lacks == ("boot_files" if field == "lying" else field,)


def test_no_size_is_zero_because_it_is_not_known() -> None:
    """Unknown size → not-checked naming it, never zero."""
    for field, message in [("size_bytes", "size"), ("unpacked_bytes", "unpacked"), ("working_bytes", "working")]:
        changes: dict[str, None] = {field: None}
        plan = plan_space(ROOM, [replace(NEW, **changes)], SCALE)  # type: ignore[arg-type]  # one at a time
        assert plan.fit is Fit.UNKNOWN and plan.lacks == (f"{message} of image 7.0",)
    assert plan_space(replace(ROOM, free_bytes=None), [NEW], SCALE).lacks == ("free_bytes",)
    weightless = replace(ROOM, free_bytes=0, lying=(Lying("4.0", None), *FILES[1:]))
    plan = plan_space(weightless, [NEW], SCALE)
    assert plan.fit is Fit.SHORT and plan.short_bytes == 310
    assert plan.lacks == ("unpacked size of image 4.0",)


def test_files_that_cannot_be_placed_are_all_kept() -> None:
    """Any of them may be the only way back."""
    odd = replace(ROOM, free_bytes=0, lying=(Lying("golden", 900), Lying("4.0", 10), *FILES[1:]))
    plan = plan_space(odd, [NEW], SCALE)
    assert "golden" not in _gone(plan) and dict(plan.kept)["golden"] == "it is the only way back"
    unplaced = replace(ROOM, free_bytes=0, active="running", lying=(Lying("running", 5), *FILES))
    assert plan_space(unplaced, [NEW], SCALE).short_bytes == 310


def test_after_a_step_the_way_back_moves_on() -> None:
    """Before 8.0 comes, 7.0 runs and 6.0 is the way back: 5.0 may go then, though it might not before."""
    later = SpaceLoad("8.0", 100, 200, 10)
    plan = plan_space(replace(ROOM, free_bytes=310, lying=FILES[1:]), [NEW, later], SCALE)
    assert plan.fit is Fit.SHORT  # 5.0 gives 160 of the 200 that are lacking
    assert plan.short_bytes == 40
    plan = plan_space(replace(ROOM, free_bytes=350, lying=FILES[1:]), [NEW, later], SCALE)
    assert plan.fit is Fit.AFTER_REMOVAL
    assert [(before, file.name) for before, file in plan.remove] == [("8.0", "5.0")]


def test_a_file_that_lies_there_needs_no_room_and_stays() -> None:
    """Brought in advance, it is used at its turn and is not removed before."""
    room = replace(ROOM, free_bytes=0, lying=(*FILES, Lying("7.0", 200)))
    assert plan_space(room, [NEW], SCALE) == SpacePlan(Fit.FITS)
    later = SpaceLoad("8.0", 100, 200, 10)
    plan = plan_space(room, [NEW, later], SCALE)
    assert dict(plan.kept)["7.0"] == "it is about to run"
    assert plan_space(replace(room, free_bytes=160), [NEW, later], SCALE).fit is Fit.AFTER_REMOVAL


def test_without_the_running_file_the_older_one_stays_the_way_back() -> None:
    """The running file was deleted: once 7.0 runs, 5.0 is still the only file to go back to."""
    later = SpaceLoad("8.0", 100, 200, 10)
    room = replace(ROOM, free_bytes=310, lying=(Lying("5.0", 900),))
    assert plan_space(room, [NEW, later], SCALE).fit is Fit.SHORT


@pytest.mark.parametrize(
    ("method", "replaced", "free", "fit"),
    [
        ("overwrite", 150, 160, Fit.FITS),  # 100 + 10 + (200 - 150)
        ("overwrite", 150, 159, Fit.SHORT),
        ("overwrite", None, 309, Fit.SHORT),  # nothing is given back for what is not known
        ("two-bank", 200, 110, Fit.FITS),
        ("two-bank", 999, 109, Fit.SHORT),  # a smaller image leaves room only afterwards
    ],
)
def test_what_is_written_over_gives_its_room_back(method: str, replaced: int | None, free: int, fit: Fit) -> None:
    """ "written straight over the running copy"; "written to its spare bank" (two-bank)"""
    room = PartitionSpace(method, free, None, "6.0", None, replaced)
    assert plan_space(room, [NEW], SCALE).fit is fit


_VERSIONS = [f"{n}.0" for n in range(1, 8)]


@settings(max_examples=300)
@given(
    lying=st.lists(st.tuples(st.sampled_from(_VERSIONS), st.integers(1, 300)), unique_by=lambda r: r[0], max_size=5),
    active=st.sampled_from(_VERSIONS),
    pending=st.sampled_from(["", *_VERSIONS]),
    free=st.integers(0, 800),
    loads=st.lists(st.sampled_from(_VERSIONS), unique=True, min_size=1, max_size=4),
)
def test_a_plan_carried_out_never_runs_short_and_never_takes_what_is_needed(
    lying: list[tuple[str, int]], active: str, pending: str, free: int, loads: list[str]
) -> None:
    """ "found out an hour into the window": the plan is carried out on a model of the flash."""
    files = dict(lying)
    sequence = [SpaceLoad(v, 100 + int(v[0]), 150, 20) for v in loads]
    room = PartitionSpace("boot-file", free, tuple(Lying(v, s) for v, s in lying), active, pending)
    plan = plan_space(room, sequence, SCALE)
    if plan.fit is Fit.SHORT:
        assert plan.short_bytes > 0 and plan.lacks == ()
        return
    running, before, waiting = active, None, pending
    for load in sequence:
        for name in [f.name for at, f in plan.remove if at == load.version]:
            assert name not in (running, before, waiting)
            older = [v for v in files if v not in (running, waiting) and v < running]
            if before is None and older:
                assert name != max(older)
            free += files.pop(name)
        if load.version not in files:
            assert free >= (load.size_bytes or 0) + 150 + 20
            files[load.version] = 150
            free -= 150
        running, before, waiting = load.version, running, ""
        assert running in files
