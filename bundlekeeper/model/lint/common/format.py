"""What the types of `model.manifest` allow at one path: the keys of a table, the words of a value.

Rules: asked of the types themselves, so that hints never differ from what is checked; a path that the types don't know
has no keys and no choices.
"""

from __future__ import annotations

from collections.abc import Callable
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.model.manifest.types import Manifest

_TypeForm = Any  # typing has no type for an annotation


def _origin(kind: _TypeForm) -> _TypeForm:
    return get_origin(kind)


def _type_at(path: Path) -> _TypeForm:
    """The annotation of the value at `path` in the types of the manifest."""
    kind: _TypeForm = Manifest
    for key in path:
        kind = _inside(kind, key)
    return kind


def _inside(kind: _TypeForm, key: str | int) -> _TypeForm:
    model = _find(kind, lambda k: hasattr(k, "model_fields"))
    if model is not None and isinstance(key, str):
        for name, field in model.model_fields.items():
            if (field.alias or name) == key:
                return field.annotation
        mapping = None
    else:
        mapping = _find(kind, lambda k: _origin(k) in (dict, tuple))
    if mapping is None:
        return None
    arguments = get_args(mapping)
    return arguments[1] if _origin(mapping) is dict else arguments[0]


def _find(kind: _TypeForm, matches: Callable[[_TypeForm], bool]) -> _TypeForm:
    """The first type inside unions and annotations that matches."""
    if matches(kind):
        return kind
    if _origin(kind) is Annotated or _origin(kind) in (Union, UnionType):
        for inner in get_args(kind):
            found = _find(inner, matches)
            if found is not None:
                return found
    return None


def keys_of(path: Path) -> list[str]:
    """The keys that the table at `path` takes, in the format's order; none where any key is allowed."""
    model = _find(_type_at(path), lambda k: hasattr(k, "model_fields"))
    return [] if model is None else [field.alias or name for name, field in model.model_fields.items()]


def choices(path: Path) -> list[str]:
    """The words that the value at `path` may be; none where it is free."""
    kind = _type_at(path)
    literal = _find(kind, lambda k: _origin(k) is Literal)
    if literal is not None:
        return [str(word) for word in get_args(literal)]
    enum = _find(kind, lambda k: hasattr(k, "__members__"))
    return [] if enum is None else [str(member.value) for member in enum]


def did_you_mean(word: object, known: list[str]) -> str:
    """`did you mean …?` for the nearest known word, or nothing."""
    if not isinstance(word, str):
        return ""
    lower = {k.casefold(): k for k in known}
    folded = word[:200].casefold().replace("_", "-")
    import difflib  # only where a word is wrong

    near = difflib.get_close_matches(folded, list(lower), n=1, cutoff=0.6)
    near = near or difflib.get_close_matches(folded.replace("-", "_"), list(lower), n=1, cutoff=0.6)
    return f"did you mean {lower[near[0]]}?" if near else ""
