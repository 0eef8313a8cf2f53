"""Our dataclasses beside the standard library's, which say what each answer should be."""

from __future__ import annotations

import copy
import dataclasses
import pickle
import typing
from collections.abc import Callable
from dataclasses import field
from typing import Any

import pytest

from bundlekeeper import frozen

_LIBRARY, _OURS = dataclasses.dataclass, typing.cast("Any", frozen).dataclass


def _classes(dataclass: Any, frozen: bool) -> tuple[Any, Any, Any]:
    @dataclass(frozen=frozen, slots=True)
    class Part:
        """One of each kind of field."""

        name: str
        size: int = 7
        notes: list[str] = field(default_factory=list)
        secret: str = field(default="s", repr=False, compare=False)
        total: int = field(init=False)
        kept: str = field(default="k", init=False)

        def __post_init__(self) -> None:
            object.__setattr__(self, "total", self.size * 2)

    @dataclass(frozen=frozen, slots=True, kw_only=True)
    class Named(Part):
        """One more field, for keywords only."""

        more: int = 0

    @dataclass(frozen=frozen, slots=True)
    class Own:
        """Its own equality, and no field for the rest."""

        def __eq__(self, other: object) -> bool:
            return True

        def __repr__(self) -> str:
            return "own"

    return Part, Named, Own


_ASKED: dict[str, Callable[[Any, Any, Any], object]] = {
    "fields": lambda part, named, _: [
        (f.name, f.init, f.compare, f.repr, f.kw_only, f.default) for f in (*dataclasses.fields(part),
                                                                          *dataclasses.fields(named))
    ],
    "made": lambda part, named, own: [part("a"), part("a", 1, ["x"], "t"), part(name="b"), named("a", more=3), own()],
    "too few": lambda part, *_: part(),
    "too many": lambda part, *_: part("a", 1, [], "s", "t"),
    "by position": lambda _, named, __: named("a", 1, [], "s", 5),
    "set by nobody": lambda part, *_: part("a", total=3),
    "own list": lambda part, *_: part("a").notes is part("a").notes,
    "equal": lambda part, named, own: [part("a", secret="t") == part("a"), part("a") == part("b"), part("a") == 5,
                                       named("a") == part("a"), own() == 5, named("a") != named("a", more=1)],
    "no order": lambda part, *_: part("a") < part("b"),
    "hash of a list": lambda part, *_: hash(part("a")),
    "hash": lambda part, named, own: [
        hash(part("a", notes=())) == hash(part("a", notes=(), secret="t")), len({own(), own()}),
    ],
    "set": lambda part, *_: setattr(part("a"), "size", 1),
    "deleted": lambda part, *_: delattr(part("a"), "size"),
    "replaced": lambda part, named, _: [dataclasses.replace(part("a"), size=2), dataclasses.replace(named("b"))],
    "replaced what is set": lambda part, *_: dataclasses.replace(part("a"), total=2),
    "as a dictionary": lambda part, *_: dataclasses.asdict(part("a", notes=["x"])),
    "copied": lambda part, named, _: [copy.copy(part("a")), copy.deepcopy(named("a", notes=["x"]))],
    "small": lambda part, named, own: [hasattr(made, "__dict__") for made in (part("a"), named("a"), own())],
    "slots": lambda part, named, own: [part.__slots__, named.__slots__, own.__slots__, part.__match_args__],
    "class": lambda part, *_: [part.__qualname__, part.__doc__, part.__module__, hasattr(part, "size")],
}  # fmt: skip


@pytest.mark.parametrize("frozen_too", [True, False])
@pytest.mark.parametrize("asked", _ASKED)
def test_it_answers_as_the_standard_library_does(asked: str, frozen_too: bool) -> None:
    answers = []
    for dataclass in (_LIBRARY, _OURS):
        try:
            answers.append(repr(_ASKED[asked](*_classes(dataclass, frozen_too))))
        except (TypeError, ValueError, AttributeError) as error:
            answers.append(f"{type(error).__name__}: {error}")
    assert answers[1] == answers[0]


@_OURS(frozen=True, slots=True)
class Sent:
    """What goes to another process and back."""

    name: str


def test_it_goes_to_another_process() -> None:
    assert pickle.loads(pickle.dumps(Sent("a"))) == Sent("a")  # type: ignore[call-arg]  # noqa: S301 - our own bytes


@pytest.mark.parametrize("frozen_too", [True, False])
def test_a_hash_of_its_own_stays(frozen_too: bool) -> None:
    @_OURS(frozen=frozen_too, slots=True)
    class Counter:
        """Counts the same whatever it counts."""

        count: int = 0

        def __hash__(self) -> int:
            return 7

    assert hash(Counter()) == 7
    assert Counter() == Counter()


def test_other_forms_are_the_standard_librarys() -> None:
    @_OURS(slots=True, order=True)
    class Counter:
        """May change, and comes before another."""

        count: int = 0

    assert Counter(1) < Counter(2)  # type: ignore[call-arg,operator]
