"""Version order and ranges, in the order that the manifest declares.

Rules: an order is total over the versions that it accepts, and what it cannot place is a `VersionError`, never a guess;
a key decides by the order alone, so equal is not identical text (6.1 = 6.1.0); a range asks the order and nothing else;
whether rules contradict each other is answered exactly over the order seen as a dense line (over the list itself for
`listed`), so rules that some version could satisfy are never called contradictory. No version is longer than
`limits.VERSION_CHARACTERS`, so no run of digits reaches Python's limit for int().
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any, Protocol

from bundlekeeper.errors import VersionError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.frozen import dataclass

#: What an order makes of a version: comparable with the keys of the same order only.
Key = tuple[Any, ...]


class Order(Protocol):
    """A total order of versions."""

    @property
    def name(self) -> str:
        """The name by which a manifest asks for it."""

    def key(self, version: str) -> Key:
        """The version's place, comparable with other keys of this order.

        Raises VersionError, with a hint, for a version that cannot be placed.
        """


def _bounded(version: str) -> str:
    if not version:
        raise VersionError("a version is empty", hint="write the version as its publisher prints it")
    if len(version) > limits.VERSION_CHARACTERS:
        raise VersionError(
            f"a version of {len(version)} characters, more than {limits.VERSION_CHARACTERS}: {visible(version[:24])}…",
            hint="this is probably not a version; check the text around it",
        )
    return version


# Blanks, points, hyphens, underscores and brackets separate; ASCII only, so that Unicode
# forms of one letter and digits of other scripts can't make two versions that look alike.
_NATURAL = re.compile(r"[0-9]+|[A-Za-z]+|[.\-_() \t]+")
_WORD_RANK = {"dev": 0, "alpha": 1, "beta": 2, "pre": 3, "rc": 4}
_NO_WORD = (5, "")
_OTHER_WORD = 6


class Natural:
    """Groups of numbers with words between them, as the handbook defines it ('natural order')."""

    name = "natural"

    def key(self, version: str) -> Key:
        """Group, word, group, word … and at the end 'no word'; zeros at the end of a group don't count.

        Raises VersionError for an empty or over-long version, one without a digit, and any other character.
        """
        _bounded(version)
        key: list[Any] = []
        group: list[int] = []
        position = 0
        while position < len(version):
            match = _NATURAL.match(version, position)
            if match is None:
                raise VersionError(
                    f"version {visible(version)}: {visible(version[position])} at character {position + 1} "
                    "is not allowed in natural order",
                    hint="use letters a-z, digits, blanks and . - _ ( ), or declare order semver, debian or listed",
                )
            position = match.end()
            token = match.group()
            if token[0].isdigit():
                group.append(int(token))
            elif token[0].isalpha():
                word = token.casefold()
                key += [_unpadded(group), (_WORD_RANK.get(word, _OTHER_WORD), "" if word in _WORD_RANK else word)]
                group = []
        if not any(c.isdigit() for c in version):
            raise VersionError(
                f"version {visible(version)} has no digit, so natural order cannot place it",
                hint="write the number; for versions that are names only, declare order listed",
            )
        return (*key, _unpadded(group), _NO_WORD)


def _unpadded(group: list[int]) -> tuple[int, ...]:
    end = len(group)
    while end and group[end - 1] == 0:
        end -= 1
    return tuple(group[:end])


# SemVer 2.0.0, "Backus-Naur Form Grammar for Valid SemVer Versions"
_NUMBER = r"(0|[1-9][0-9]*)"
_PRE_ID = r"(?:0|[1-9][0-9]*|[0-9]*[A-Za-z-][0-9A-Za-z-]*)"
_SEMVER = re.compile(
    rf"{_NUMBER}\.{_NUMBER}\.{_NUMBER}(?:-({_PRE_ID}(?:\.{_PRE_ID})*))?(?:\+[0-9A-Za-z-]+(?:\.[0-9A-Za-z-]+)*)?"
)


class SemVer:
    """Semantic Versioning 2.0.0, strict; build metadata does not count (§10, §11)."""

    name = "semver"

    def key(self, version: str) -> Key:
        """Major, minor, patch, then the pre-release (§11).

        Raises VersionError for what the grammar of SemVer 2.0.0 does not allow.
        """
        match = _SEMVER.fullmatch(_bounded(version))
        if match is None:
            raise VersionError(
                f"version {visible(version)} is not a SemVer 2.0.0 version",
                hint="it needs three numbers without leading zeros, such as 6.1.0 or 6.1.0-rc.1; else order natural",
            )
        major, minor, patch, pre = match.groups()
        if pre is None:
            return (int(major), int(minor), int(patch), 1, ())
        # §11.4: numeric identifiers compare as numbers and are lower than others, which compare in ASCII order.
        ids = tuple(
            (0, int(identifier), "") if identifier.isdigit() else (1, 0, identifier) for identifier in pre.split(".")
        )
        return (int(major), int(minor), int(patch), 0, ids)


# Debian policy 5.6.12; `:` in an upstream version is accepted by some tools but not named by the policy.
# An upstream version may hold hyphens only when a revision follows.
_DEBIAN = re.compile(r"(?:([0-9]+):)?([A-Za-z0-9.+~-]+(?=-)|[A-Za-z0-9.+~]+)(?:-([A-Za-z0-9.+~]+))?")
_DEBIAN_PART = re.compile(r"([^0-9]*)([0-9]*)")


class Debian:
    """Epoch, upstream version and revision, as Debian policy 5.6.12 orders them."""

    name = "debian"

    def key(self, version: str) -> Key:
        """Epoch, then upstream version, then revision; an absent revision is the same as 0.

        Raises VersionError for characters that the policy does not allow and for empty parts.
        """
        match = _DEBIAN.fullmatch(_bounded(version))
        if match is None:
            raise VersionError(
                f"version {visible(version)} is not a Debian version",
                hint="[epoch:]upstream[-revision] of letters, digits and . + - ~ (Debian policy 5.6.12)",
            )
        epoch, upstream, revision = match.groups()
        return (int(epoch or "0"), _debian_part(upstream), _debian_part(revision or "0"))


def _debian_part(text: str) -> Key:
    """Non-digits and digits in turn; a tilde sorts before the end, letters before everything else."""
    return tuple(
        ((*(-1 if c == "~" else ord(c) if c.isalpha() else 256 + ord(c) for c in other), 0), int(digits or "0"))
        for other, digits in _DEBIAN_PART.findall(text)
    )


class Listed:
    """The order of a list that the manifest gives, oldest first."""

    name = "listed"

    def __init__(self, versions: Sequence[str]) -> None:
        """Raises VersionError for an empty list and for a version that is in it twice."""
        self.versions = tuple(versions)
        self._places = {version: (place,) for place, version in enumerate(self.versions)}
        if not self.versions:
            raise VersionError("order listed has no list", hint='give every version, oldest first: list = ["…", "…"]')
        if len(self._places) < len(self.versions):
            twice = next(v for v in self.versions if self.versions.count(v) > 1)
            raise VersionError(f"version {visible(twice)} is in the list twice", hint="keep one of its places")
        for version in self.versions:
            _bounded(version)

    def key(self, version: str) -> Key:
        """The version's position. Raises VersionError for a version that is not in the list, text for text."""
        place = self._places.get(_bounded(version))
        if place is None:
            raise VersionError(
                f"version {visible(version)} is not in the list of versions",
                hint=_did_you_mean(version, self.versions) or "add it at its place, oldest first",
            )
        return place


def _did_you_mean(word: str, known: Iterable[str]) -> str:
    import difflib  # only where a word is wrong

    near = difflib.get_close_matches(word, list(known)[:1000], n=1)
    return f"did you mean {visible(near[0])}?" if near else ""


_ORDERS: dict[str, type[Natural | SemVer | Debian]] = {"natural": Natural, "semver": SemVer, "debian": Debian}
ORDER_NAMES = (*_ORDERS, Listed.name)


def order(name: str, listed: Sequence[str] = ()) -> Order:
    """The order of that name; `listed` is the list, oldest first, that the order 'listed' needs.

    Raises VersionError for an unknown name and for a list that is empty or repeats itself.
    """
    if name == Listed.name:
        return Listed(listed)
    if name not in _ORDERS:
        raise VersionError(
            f"there is no version order named {visible(name)}",
            hint=_did_you_mean(name, ORDER_NAMES) or f"one of {', '.join(ORDER_NAMES)}",
        )
    return _ORDERS[name]()


def compare(order: Order, a: str, b: str) -> int:
    """-1, 0 or 1 as `a` is before, equal to or after `b`. Raises VersionError where one cannot be placed."""
    key_a, key_b = order.key(a), order.key(b)
    return (key_a > key_b) - (key_a < key_b)


_OPERATORS = {">=": ">=", ">": ">", "<=": "<=", "<": "<", "==": "==", "=": "==", "!=": "!=", "": "=="}
_CLAUSE = re.compile(r"\s*([<>=!~^]*)\s*(.*?)\s*", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Clause:
    """One condition of a range: an operator of >= > <= < == !=, the version as written, and its key."""

    operator: str
    version: str
    key: Key

    def holds(self, key: Key) -> bool:
        """True when a version of that key meets the condition."""
        match self.operator:
            case ">=":
                return bool(key >= self.key)
            case ">":
                return bool(key > self.key)
            case "<=":
                return bool(key <= self.key)
            case "<":
                return bool(key < self.key)
            case "==":
                return key == self.key
        return key != self.key


@dataclass(frozen=True, slots=True)
class Range:
    """Conditions that must all hold, in one order."""

    order: Order
    clauses: tuple[Clause, ...]

    @classmethod
    def parse(cls, text: str, order: Order) -> Range:
        """Read `>=5.4,<6.2`: a comma means and; operators >= > <= < == = != and none, which means equal.

        Raises VersionError for an over-long text, an empty condition, another operator, or a version that the order
        cannot place.
        """
        if len(text) > limits.RANGE_CHARACTERS:
            raise VersionError(
                f"a range of {len(text)} characters, more than {limits.RANGE_CHARACTERS}",
                hint="use fewer conditions, or write several rules",
            )
        return cls(order, tuple(_clause(condition, text, order) for condition in text.split(",")))

    def __str__(self) -> str:
        """The range as a manifest would write it."""
        return ",".join(clause.operator + clause.version for clause in self.clauses)

    def contains(self, version: str) -> bool:
        """True when the version meets every condition. Raises VersionError when the order cannot place it."""
        return self._holds(self.order.key(version))

    def _holds(self, key: Key) -> bool:
        return all(clause.holds(key) for clause in self.clauses)

    def intersect(self, *others: Range) -> Range:
        """What meets this range and every other; all must be of the same order."""
        return Range(self.order, self.clauses + tuple(clause for other in others for clause in other.clauses))

    def is_empty(self) -> bool:
        """True when no version can meet it: over the order as a dense line, for `listed` over the list itself."""
        if isinstance(self.order, Listed):
            return not any(self._holds(self.order.key(version)) for version in self.order.versions)
        # On a dense line a stretch with two ends apart has endless points and the exclusions take away only a few,
        # so only a stretch that shrank to one point, or to less, must be looked at: does that point meet every clause?
        lower = max((clause.key for clause in self.clauses if clause.operator in {">=", ">", "=="}), default=None)
        upper = min((clause.key for clause in self.clauses if clause.operator in {"<=", "<", "=="}), default=None)
        if lower is None or upper is None or lower < upper:
            return False
        return not self._holds(lower)


def _clause(condition: str, text: str, order: Order) -> Clause:
    match = _CLAUSE.fullmatch(condition)
    operator, version = match.groups() if match else ("", "")
    if operator not in _OPERATORS:
        raise VersionError(
            f"range {visible(text)}: {visible(operator)} is not an operator",
            hint="use >= > <= < == or !=, and a comma between conditions",
        )
    if not version:
        raise VersionError(
            f"range {visible(text)}: a condition has no version",
            hint="write it like >=5.4,<6.2, with nothing after the last comma",
        )
    return Clause(_OPERATORS[operator], version, order.key(version))


def satisfiable(ranges: Sequence[Range]) -> bool:
    """True when some version could meet all the ranges (of one order) at once; true for none at all."""
    return not ranges or not ranges[0].intersect(*ranges[1:]).is_empty()
