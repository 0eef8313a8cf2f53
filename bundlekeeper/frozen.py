"""`@dataclass(slots=True)`, frozen or not, at a fifth of its price, for the modules that most commands import.

Rules: what such a class does is what the standard library's decorator makes of it, `fields`, `replace` and `asdict`
included; other forms of dataclass are the standard library's. That writes and compiles six functions for each class as
it is declared, which was a third of a command's start: here a function is compiled when it is first called.
"""

from __future__ import annotations

import dataclasses
from reprlib import recursive_repr
from typing import TYPE_CHECKING, Any, NoReturn

if TYPE_CHECKING:
    from collections.abc import Callable
    from dataclasses import dataclass as dataclass
else:

    def dataclass(*, frozen: bool = False, slots: bool = False, **others: bool) -> Callable[[type], type]:
        """The decorator; any form but slots, with or without `frozen` and `kw_only`, is the standard library's."""
        if slots and not others.keys() - {"kw_only"}:
            return lambda plain: _made(plain, frozen, **others)
        return dataclasses.dataclass(frozen=frozen, slots=slots, **others)


def _made(plain: type, frozen: bool, kw_only: bool = False) -> type:
    """The class again, with slots and methods; a method that it has itself stays."""
    dataclasses.dataclass(init=False, repr=False, eq=False, kw_only=kw_only)(plain)
    names = [field.name for field in dataclasses.fields(plain)]
    inherited = {slot for base in plain.__mro__[1:] for slot in base.__dict__.get("__slots__", ())}
    body = {key: value for key, value in plain.__dict__.items() if key not in {*names, "__dict__", "__weakref__"}}
    body["__slots__"] = tuple(name for name in names if name not in inherited)
    if not frozen:
        body.setdefault("__hash__", None)
    made: type = type(plain)(plain.__name__, plain.__bases__, {**_SHARED, **(_FROZEN if frozen else {}), **body})
    made.__qualname__ = plain.__qualname__
    for name, source in (_SOURCES | ({"__hash__": _hash} if frozen else {})).items():
        if body.get(name) is None:  # a class with an `__eq__` of its own has the hash None
            setattr(made, name, _when_called(made, name, source))
    return made


def _when_called(made: type, name: str, source: Callable[[type, dict[str, Any]], str]) -> Callable[..., Any]:
    def first(*arguments: Any, **named: Any) -> Any:  # noqa: ANN401 - stands for any method
        names: dict[str, Any] = {}
        exec(source(made, names), names)  # noqa: S102 - of the names of our own fields
        names[name].__qualname__ = f"{made.__qualname__}.{name}"
        setattr(made, name, names[name])
        return names[name](*arguments, **named)

    return first


def _init(made: type, names: dict[str, Any]) -> str:
    """The text of `__init__`; what it uses is put into `names`. A slot's own setter is faster than `setattr`."""
    is_frozen = made.__dict__.get("__setattr__") is _refuse_to_set
    parameters: dict[bool, list[str]] = {False: ["self"], True: ["*"]}  # by whether they are for keywords only
    lines = []
    for field in dataclasses.fields(made):
        name, value = field.name, field.name
        has_factory = field.default_factory is not dataclasses.MISSING
        has_default = has_factory or field.default is not dataclasses.MISSING
        if is_frozen:
            names[f"_set_{name}"] = getattr(made, name).__set__
        names[f"_default_{name}"] = field.default_factory if has_factory else field.default
        if field.init:
            parameters[bool(field.kw_only)].append(f"{name}=_default_{name}" if has_default else name)
            if has_factory:
                value = f"_default_{name}() if {name} is _default_{name} else {name}"
        elif has_default:
            value = f"_default_{name}()" if has_factory else f"_default_{name}"
        else:
            continue  # `__post_init__` sets it
        lines.append(f" _set_{name}(self, {value})" if is_frozen else f" self.{name} = {value}")
    lines.append(" self.__post_init__()" if hasattr(made, "__post_init__") else " pass")
    words = parameters[False] + (parameters[True] if len(parameters[True]) > 1 else [])
    return "\n".join([f"def __init__({', '.join(words)}):", *lines])


def _compared(made: type, of: str) -> str:
    return f"({''.join(f'{of}.{field.name}, ' for field in dataclasses.fields(made) if field.compare)})"


def _eq(made: type, names: dict[str, Any]) -> str:
    mine, others = _compared(made, "self"), _compared(made, "other")
    return (
        f"def __eq__(self, other):\n return {mine} == {others} if other.__class__ is self.__class__ else NotImplemented"
    )


def _hash(made: type, names: dict[str, Any]) -> str:
    return f"def __hash__(self):\n return hash({_compared(made, 'self')})"


@recursive_repr("...")
def _repr(self: Any) -> str:  # noqa: ANN401 - an object of any class made here
    shown = ", ".join(f"{field.name}={getattr(self, field.name)!r}" for field in dataclasses.fields(self) if field.repr)
    return f"{self.__class__.__qualname__}({shown})"


def _refuse_to_set(self: object, name: str, value: object) -> NoReturn:
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def _refuse_to_delete(self: object, name: str) -> NoReturn:
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")


def _state(self: Any) -> list[Any]:  # noqa: ANN401 - an object of any class made here
    return [getattr(self, field.name) for field in dataclasses.fields(self)]


def _restore(self: Any, state: list[Any]) -> None:  # noqa: ANN401 - an object of any class made here
    for field, value in zip(dataclasses.fields(self), state, strict=True):
        object.__setattr__(self, field.name, value)


_SHARED = {"__repr__": _repr}
_FROZEN = {
    "__setattr__": _refuse_to_set, "__delattr__": _refuse_to_delete, "__getstate__": _state, "__setstate__": _restore,
}  # fmt: skip
_SOURCES = {"__init__": _init, "__eq__": _eq}
