"""Version order and ranges against our own chains, SemVer 2.0.0, Debian policy and dpkg itself, and brute force."""

from __future__ import annotations

import itertools
import operator
import os
import random
import shutil
import subprocess
from collections.abc import Callable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import VersionError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.model import versions
from bundlekeeper.model.versions import Debian, Listed, Natural, Order, Range, SemVer, compare, satisfiable

NATURAL, SEMVER, DEBIAN = Natural(), SemVer(), Debian()


def assert_chain(order: Order, chain: Sequence[str]) -> None:
    """Every member is before every later one, and equal to itself only."""
    assert len(chain) > 1
    for (i, a), (j, b) in itertools.product(enumerate(chain), repeat=2):
        assert compare(order, a, b) == (i > j) - (i < j), (a, b)


# --- natural: natural order ---------------------------------------------------------


@pytest.mark.parametrize(
    "chain",
    [
        ["6.1.0-rc1", "6.1", "6.1.0-p2", "6.1.1"],
        ["5.4.3", "5.4.3a", "5.4.3b", "5.4.10a"],
        ["2.9", "2.10"],  # the classic mistake of comparing as text
        ["1dev", "1alpha", "1beta", "1pre", "1rc", "1", "1a", "1p", "1patch", "1z"],  # the rank of the words
        ["1-rc", "1-rc1-dev", "1-rc1", "1-rc1-p1", "1-rc2", "1"],
        ["1.0", "1.0.0.1", "1.1"],
        ["4.0 1a", "4.0 1b", "4.0 2a", "4.0 10a"],
        ["a1", "b1", "1"],  # a leading word stands after an empty group, which is padded with zeros
    ],
)
def test_natural_chains(chain: list[str]) -> None:
    assert_chain(NATURAL, chain)


@pytest.mark.parametrize(
    "same",
    [
        ["6.1", "6.1.0", "6_1", "6-1", "(6)1", " 6 1 ", "06.01", "6.1.0.0", "6\t1"],
        ["6.1rc1", "6.1-RC1", "6.1.0.Rc.1", "6.1 rc 01", "6.1-rc1.0"],
        ["6.1-rc", "6.1-rc0"],
        ["5P2", "5p2"],
    ],
)
def test_equal_in_natural_order_is_not_identical_text(same: list[str]) -> None:
    assert {compare(NATURAL, a, b) for a in same for b in same} == {0}
    assert len(set(same)) == len(same)


# fmt: off
NO_PLACE = [
    "", "a", "rc", "-", "6.1+x", "6:1", "6~1", "6,1", "6/1", "6\n1", "6\x00", "٦.1", "6.²", "6.1é", "６.1", ">6",
]
# fmt: on


@pytest.mark.parametrize("version", [*NO_PLACE, "1" * (limits.VERSION_CHARACTERS + 1), "1" * 5000])
def test_natural_refuses_what_it_cannot_place(version: str) -> None:
    with pytest.raises(VersionError) as caught:
        NATURAL.key(version)
    assert caught.value.hint
    assert visible(caught.value.message) == caught.value.message


@pytest.mark.parametrize("order", [NATURAL, DEBIAN])
def test_long_runs_of_digits_are_numbers_and_never_reach_pythons_limit_for_int(order: Order) -> None:
    """int() refuses texts of over 4300 digits with a ValueError; a version has at most MAX_LENGTH characters."""
    longest = "9" * limits.VERSION_CHARACTERS
    assert compare(order, longest, "8" * limits.VERSION_CHARACTERS) == 1
    with pytest.raises(VersionError):
        order.key("9" * 4301)
    with pytest.raises(VersionError):
        SEMVER.key("1.0." + "9" * 4301)


WORDS = ["dev", "alpha", "beta", "pre", "rc", "RC", "a", "b", "p", "patch", "Z"]
natural_versions = st.builds(
    lambda head, tail: str(head) + "".join(tail),
    st.integers(0, 3),
    st.lists(st.sampled_from([".", "-", "_", " ", "(", ")", "0", "1", "2", "10", ".0", ".1", *WORDS]), max_size=6),
)


@given(natural_versions, natural_versions, natural_versions)
def test_natural_order_is_total(a: str, b: str, c: str) -> None:
    """'A total order': antisymmetric, and transitive also through equal versions."""
    assert compare(NATURAL, a, b) == -compare(NATURAL, b, a)
    assert compare(NATURAL, a, a) == 0
    if compare(NATURAL, a, b) <= 0 and compare(NATURAL, b, c) <= 0:
        assert compare(NATURAL, a, c) <= 0
    if compare(NATURAL, a, b) == 0:
        assert compare(NATURAL, a, c) == compare(NATURAL, b, c)


@given(
    st.lists(st.integers(0, 30), min_size=1, max_size=5), st.integers(0, 3), st.sampled_from(["", "-rc1", "p2", "a"])
)
def test_padding_with_zeros_is_equal(numbers: list[int], zeros: int, tail: str) -> None:
    """'the group of numbers, the shorter padded with zeros (6.1 = 6.1.0)'."""
    plain = ".".join(map(str, numbers))
    assert compare(NATURAL, plain + tail, plain + ".0" * zeros + tail) == 0


@given(st.lists(st.integers(0, 12), min_size=1, max_size=4), st.lists(st.integers(0, 12), min_size=1, max_size=4))
def test_numbers_alone_compare_like_padded_tuples(a: list[int], b: list[int]) -> None:
    """'the group of numbers, the shorter padded with zeros' — said here the long way."""
    long = max(len(a), len(b))
    padded_a, padded_b = a + [0] * (long - len(a)), b + [0] * (long - len(b))
    expected = (padded_a > padded_b) - (padded_a < padded_b)
    assert compare(NATURAL, ".".join(map(str, a)), "_".join(map(str, b))) == expected


@given(st.text(max_size=140))
def test_nothing_but_a_version_error_comes_out(text: str) -> None:
    """Nothing but our own error family may come out."""
    for order in (NATURAL, SEMVER, DEBIAN, Listed(["1"])):
        try:
            order.key(text)
            Range.parse(text, order).is_empty()
        except VersionError as error:
            assert error.hint
            assert visible(error.message) == error.message


# --- semver: SemVer 2.0.0 ----------------------------------------------------------------------------------------


def test_semver_precedence() -> None:
    """SemVer 2.0.0 §11.2 and §11.4, the examples given there."""
    alpha = ["1.0.0-alpha", "1.0.0-alpha.1", "1.0.0-alpha.beta"]
    assert_chain(SEMVER, [*alpha, "1.0.0-beta", "1.0.0-beta.2", "1.0.0-beta.11", "1.0.0-rc.1", "1.0.0"])
    assert_chain(SEMVER, ["1.0.0", "2.0.0", "2.1.0", "2.1.1"])
    assert_chain(SEMVER, ["1.0.0--", "1.0.0-A", "1.0.0-Z", "1.0.0-a"])  # §11.4.2: lexically in ASCII sort order


def test_semver_ignores_build_metadata() -> None:
    """SemVer 2.0.0 §10: 'Build metadata MUST be ignored when determining version precedence.'"""
    assert compare(SEMVER, "1.0.0+20130313144700", "1.0.0+exp.sha.5114f85") == 0
    assert compare(SEMVER, "1.0.0-beta+exp.sha", "1.0.0-beta") == 0


# the first three: Semantic Versioning 2.0.0, §11; the others follow from the grammar (§2, §9, §10)
# fmt: off
INVALID = [
    "01.1.1", "1.2", "1.2.3-01", "1", "v1.2.3", "1.2.3-", "1.2.3+", "1.2.3-a..b", "1.2.3.4", "1.2.3-é", "1.-2.3",
    "1.2.3\n", " 1.2.3", "1.2.3+a+b", "1.2.٣",
]
# fmt: on


@pytest.mark.parametrize("version", INVALID)
def test_semver_refuses(version: str) -> None:
    with pytest.raises(VersionError, match=r"SemVer 2\.0\.0"):
        SEMVER.key(version)


@pytest.mark.parametrize(
    "version", ["1.2.3-0", "1.2.3-0a", "1.2.3--1", "1.2.3----R-S.12.9.1--.12", "1.2.3+01", "0.0.0"]
)
def test_semver_accepts(version: str) -> None:
    assert compare(SEMVER, version, version) == 0


# --- debian: Debian policy 5.6.12 --------------------------------------------------------------------------------

DEBIAN_CHAINS = [
    ["1~~", "1~~a", "1~", "1", "1a"],  # the chain of the policy, on a number because a version should begin with one
    ["~~", "~~a", "~", "a"],
    ["1.0~beta1~svn1245", "1.0~beta1", "1.0"],
    ["0foo2.0", "0foo2.10"],
    ["1.06-2", "1.011-1"],
    ["1a", "1000a"],
    ["9", "1:1", "2:0"],
    ["1-0~1", "1", "1-1", "1.0", "1.0-1"],
]


@pytest.mark.parametrize("chain", DEBIAN_CHAINS)
def test_debian_chains(chain: list[str]) -> None:
    """Debian policy 5.6.12 and examples of it."""
    assert_chain(DEBIAN, chain)


@pytest.mark.parametrize(("a", "b"), [("1.09", "1.9"), ("1", "1-0"), ("0:1", "1"), ("1-00", "1"), ("a", "a0")])
def test_debian_equal(a: str, b: str) -> None:
    assert compare(DEBIAN, a, b) == 0


@pytest.mark.parametrize(
    "version", ["", "1_0", "1 0", "a:1", ":1", "1:", "1:2:3", "1-", "-1", "1:-1", "1-é", "1/2", "1.٣", "1\n"]
)
def test_debian_refuses(version: str) -> None:
    with pytest.raises(VersionError) as caught:
        DEBIAN.key(version)
    assert caught.value.hint


def _debian_version(rng: random.Random) -> str:
    def part(alphabet: str, longest: int) -> str:
        return "".join(rng.choice(alphabet) for _ in range(rng.randrange(longest)))

    epoch = rng.choice(["", "", "", "0:", "1:", "02:"])
    revision = rng.choice(["", "", "-0", "-" + rng.choice("01a~") + part("019ab~+.", 3)])
    return f"{epoch}{rng.choice('0129')}{part('00119abzAZ~+..-', 7).strip('-')}{revision}"


def _near(version: str, rng: random.Random) -> str:
    """The version with one character replaced, left out or put in, so that pairs differ late and not at once."""
    place = rng.randrange(len(version)) + 1
    return f"{version[:place]}{rng.choice(['', *'01a~+.'])}{version[place + rng.randrange(2) :]}"


# One shell reads all pairs; it prints a line for each that dpkg sees otherwise than we do.
_DPKG_LOOP = 'while read -r a op b; do dpkg --compare-versions "$a" "$op" "$b" || echo "$a $op $b: $?"; done'


def test_debian_order_agrees_with_dpkg() -> None:
    """Debian version order against `dpkg --compare-versions` on generated pairs (seed 612)."""
    if shutil.which("dpkg") is None:
        pytest.skip("no dpkg on this system, so there is nothing to compare Debian's order with")
    rng = random.Random(612)
    pairs: list[tuple[str, str]] = [pair for chain in DEBIAN_CHAINS for pair in itertools.pairwise(chain)]
    while len(pairs) < 3000:
        version = _debian_version(rng)
        other = _near(version, rng) if rng.random() < 0.7 else _debian_version(rng)
        try:
            compare(DEBIAN, version, other)
        except VersionError:
            continue  # a mutation that is no version
        pairs.append((version, other))
    ops = [{-1: "lt", 0: "eq", 1: "gt"}[compare(DEBIAN, a, b)] for a, b in pairs]
    assert min(ops.count(op) for op in ("lt", "eq", "gt")) > 200, "the pairs must not all be of one sort"
    said = subprocess.run(
        ["sh", "-c", _DPKG_LOOP],
        input="".join(f"{a} {op} {b}\n" for (a, b), op in zip(pairs, ops, strict=True)),
        capture_output=True,
        text=True,
        env={**os.environ, "LC_ALL": "C"},
        check=True,
    )
    assert said.stdout == ""


# --- listed, and orders by name ----------------------------------------------------------------------------------


def test_listed_is_the_position_in_the_list() -> None:
    assert_chain(versions.order("listed", ["Oak", "Birch", "Ash 2"]), ["Oak", "Birch", "Ash 2"])
    with pytest.raises(VersionError) as caught:
        Listed(["Oak", "Birch"]).key("Brch")
    assert caught.value.hint == "did you mean Birch?"


@pytest.mark.parametrize("wrong", [[], ["a", "b", "a"], [""], ["1" * 129]])
def test_a_list_that_is_no_order(wrong: list[str]) -> None:
    with pytest.raises(VersionError):
        versions.order("listed", wrong)


def test_orders_by_name() -> None:
    made = [versions.order(name, ["1"]).name for name in versions.ORDER_NAMES]
    assert made == ["natural", "semver", "debian", "listed"]
    with pytest.raises(VersionError) as caught:
        versions.order("natrual")
    assert caught.value.hint == "did you mean natural?"


# --- ranges ------------------------------------------------------------------------------------------------------


def parse(text: str, order: Order = NATURAL) -> Range:
    return Range.parse(text, order)


@pytest.mark.parametrize(
    ("text", "inside", "outside"),
    [
        (">=5.4,<6.2", ["5.4", "5.4.0", "6.1.0-p2", "6.2-rc1"], ["5.4-rc1", "6.2", "6.2.0"]),
        (" > 5.4 , <= 6 ", ["5.4.0.1", "6.0"], ["5.4.0", "6.0.1"]),
        ("6.1", ["6.1.0"], ["6.1.0-p1"]),
        ("=6.1", ["6.1.0"], ["6.1.1"]),
        ("==6.1", ["6.1.0"], ["6.1.1"]),
        ("!=6.1", ["6.1.1", "6"], ["6.1.0"]),
        (">=2.9", ["2.10"], ["2.8"]),
    ],
)
def test_contains(text: str, inside: list[str], outside: list[str]) -> None:
    assert all(parse(text).contains(v) for v in inside)
    assert not any(parse(text).contains(v) for v in outside)


# fmt: off
BAD_RANGES = [
    "", " ", ",", ">=", ">=5.4,", ",5", "=>5", "~=5", "^5", "<>5", "===5", ">= =5", "5 >6", "5;6", ">=x", "1," *
    300,
]
# fmt: on


@pytest.mark.parametrize("text", BAD_RANGES)
def test_ranges_that_cannot_be_read(text: str) -> None:
    with pytest.raises(VersionError) as caught:
        parse(text)
    assert caught.value.hint


def test_a_range_prints_as_it_would_be_written() -> None:
    assert str(parse(" >= 5.4 ,  6.1.0")) == ">=5.4,==6.1.0"


@pytest.mark.parametrize(
    ("texts", "empty"),
    [
        ([">=5.4", "<5.4"], True),
        ([">=5.4", "<=5.4.0"], False),
        ([">=6.1,<=6.1.0"], False),
        ([">=6.1,<=6.1.0", "!=6.1"], True),
        ([">6.1,<6.1.0"], True),
        ([">6.1,<6.1.1"], False),
        (["==6.1,!=6.1.0"], True),
        (["==6.1", "==6.2"], True),
        (["==6.1", ">=6.1,<7"], False),
        (["!=6.1", "!=6.2"], False),
        ([">=6.1,!=6.1"], False),
        ([], False),
    ],
)
def test_rules_that_contradict_each_other(texts: list[str], empty: bool) -> None:
    assert satisfiable([parse(t) for t in texts]) is not empty


def test_emptiness_of_listed_is_over_the_list_itself() -> None:
    oaks = Listed(["Oak", "Birch", "Ash"])
    assert parse(">Oak,<Birch", oaks).is_empty()
    assert not parse(">Oak,<Ash", oaks).is_empty()
    assert parse(">Oak,<Ash,!=Birch", oaks).is_empty()
    assert parse("<Oak", oaks).is_empty()


# Strictly ascending; conditions name only those at odd places, so there is always one between and one beyond.
LADDER = ["1-rc1", "1-rc2", "1", "1.0.1-rc9", "1.0.1", "1.0.1a", "1.0.1a7", "1.0.2", "1.5", "2", "3"]
NAMED = LADDER[1::2]
HOLDS: dict[str, Callable[[int, int], bool]] = {
    ">=": operator.ge,
    ">": operator.gt,
    "<=": operator.le,
    "<": operator.lt,
    "==": operator.eq,
    "!=": operator.ne,
}
conditions = st.lists(st.tuples(st.sampled_from(sorted(HOLDS)), st.sampled_from(NAMED)), min_size=1, max_size=5)


@given(conditions)
def test_ranges_and_their_emptiness_against_brute_force(wanted: list[tuple[str, str]]) -> None:
    """'Rules that contradict each other' (issue of the main job): none of all places on the line meets the rules."""
    ranges = [parse(op + version) for op, version in wanted]
    met = [v for i, v in enumerate(LADDER) if all(HOLDS[op](i, LADDER.index(named)) for op, named in wanted)]
    together = ranges[0].intersect(*ranges[1:])
    assert [v for v in LADDER if together.contains(v)] == met
    assert together.is_empty() is (not met)
    assert satisfiable(ranges) is bool(met)


@given(conditions)
def test_emptiness_over_a_list_against_brute_force(wanted: list[tuple[str, str]]) -> None:
    """'For listed emptiness is over the list itself.'"""
    order = Listed(NAMED)
    together = parse(",".join(op + version for op, version in wanted), order)
    met = [v for i, v in enumerate(NAMED) if all(HOLDS[op](i, NAMED.index(named)) for op, named in wanted)]
    assert [v for v in NAMED if together.contains(v)] == met
    assert together.is_empty() is (not met)


def test_the_ladder_ascends() -> None:
    assert_chain(NATURAL, LADDER)
