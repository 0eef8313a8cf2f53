"""The smallest set of images to remove, against brute force over every subset."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.planning.space import what_to_remove
from bundlekeeper.planning.space.what_to_remove import File, Removal, smallest_removal


def _have(files: Iterable[File], step: int) -> int:
    return sum(f.size_bytes for f in files if f.from_step <= step)


def _enough(files: Sequence[File], needs: Sequence[int]) -> bool:
    return all(_have(files, step) >= need for step, need in enumerate(needs))


def _brute_force(files: Sequence[File], needs: Sequence[int]) -> tuple[int, int] | None:
    """Fewest images, then fewest bytes, by trying every subset."""
    for number in range(len(files) + 1):
        totals = [sum(f.size_bytes for f in some) for some in combinations(files, number) if _enough(some, needs)]
        if totals:
            return number, min(totals)
    return None


_FILES = st.lists(
    st.tuples(st.one_of(st.integers(0, 12), st.integers(0, 2000)), st.sampled_from([0, 0, 0, 1, 2, 3])), max_size=9
)
_NEEDS = st.lists(st.integers(-20, 3000), min_size=1, max_size=4)


@settings(max_examples=600)
@given(sizes=_FILES, needs=_NEEDS)
def test_smallest_removal_against_every_subset(sizes: list[tuple[int, int]], needs: list[int]) -> None:
    """ "the smallest set of removals that makes room (exact: fewest images, then fewest bytes) … or 'cannot fit, short
    by N bytes'" (issue 5), held against brute force."""
    files = [File(f"f{place}", size, step) for place, (size, step) in enumerate(sizes)]
    found = smallest_removal(files, needs)
    expected = _brute_force(files, needs)
    if expected is None:
        assert found.short_bytes == max(need - _have(files, step) for step, need in enumerate(needs))
        assert found.short_bytes > 0
        return
    assert found.short_bytes == 0 and found.fewest_bytes
    assert _enough(found.files, needs)
    assert (len(found.files), sum(f.size_bytes for f in found.files)) == expected
    assert len(set(found.files)) == len(found.files) and set(found.files) <= set(files)


def _planted(number: int, gone: int, seed: int) -> tuple[list[File], int, set[str]]:
    """Files of which exactly one set of `gone` gives exactly the need: each size has a bit of its own."""
    rnd = random.Random(seed)
    files = [File(f"f{i}", (1 << 70) + (1 << i)) for i in range(number)]
    chosen = rnd.sample(files, gone)
    return files, sum(f.size_bytes for f in chosen), {f.name for f in chosen}


def test_thirty_images_of_sizes_that_never_repeat_are_exact() -> None:
    """Sizes are 2^70 + 2^i, so every sum names its set: the one set that gives exactly the need must come out."""
    for gone in (1, 7, 15, 29):
        files, need, names = _planted(30, gone, gone)
        found = smallest_removal(files, [need])
        assert {f.name for f in found.files} == names
        assert found.fewest_bytes


def test_hopelessly_many_images_still_give_the_fewest_and_say_so() -> None:
    """ "Unknown is never … good": where the fewest bytes were not verified the answer says it."""
    files, need, _ = _planted(60, 30, 1)
    found = smallest_removal(files, [need])
    assert len(found.files) == 30 and not found.fewest_bytes
    assert _enough(found.files, [need])


def test_sets_of_few_out_of_many_and_of_equal_sizes_are_exact() -> None:
    """Only sums of as many images as must go are kept, and equal sums once, so common cases never hit the limit."""
    files, need, names = _planted(60, 4, 2)
    assert {f.name for f in smallest_removal(files, [need]).files} == names
    equal = [File(f"f{i}", 1000) for i in range(200)]
    found = smallest_removal(equal, [100_001])
    assert (len(found.files), found.fewest_bytes) == (101, True)
    assert what_to_remove.MAX_SUMS >= 1 << 15  # 30 images: halves of 15


def test_nothing_is_removed_where_nothing_is_needed() -> None:
    """No need, or a need that is met already, removes nothing."""
    assert smallest_removal([File("a", 5)], [0, -3]) == Removal(())
    assert smallest_removal([], []) == Removal(())


def test_the_set_is_the_smallest_over_all_steps_not_step_by_step() -> None:
    """Removing 10 now and 25 later is two images; 25 now is one and serves both steps."""
    found = smallest_removal([File("ten", 10), File("more", 25)], [8, 20])
    assert [f.name for f in found.files] == ["more"]
