"""Which components are meant: a name and the place options together, checked against what was ever recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import Selector


@dataclass(frozen=True, slots=True)
class Places:
    """Which components are meant: those that match the name and every option that is given.

    Of several words of one option, one suffices.
    """

    name: str | None = None
    site: tuple[str, ...] = ()
    domain: tuple[str, ...] = ()
    chassis: tuple[str, ...] = ()
    slot: tuple[str, ...] = ()
    kind: tuple[str, ...] = ()
    model: tuple[str, ...] = ()

    @classmethod
    def of(cls, name: str | None, *options: Sequence[str] | None) -> Places:
        """The places of a command: its name, and its options in the order of the fields, None where not given."""
        return cls(name, *(tuple(words or ()) for words in options))


def selector_of(session: Session, places: Places) -> Selector:
    """What a name and the place options mean together.

    Raises InputError for a name or a word that was never recorded; a kind that exists is allowed even where no
    component of it was recorded.
    """
    from bundlekeeper.ledger.ask.types import Selector, words_of
    from bundlekeeper.ledger.ask.where import find

    chosen = find(session.ledger, places.name) if places.name else Selector()
    given: dict[str, Any] = {}
    for key, words in asdict(places).items():
        if key == "name" or not words:
            continue
        named = words_of(getattr(chosen, key))
        both = tuple(word for word in named if word in words) if named else words
        if not both:
            message = f"{places.name} is not at --{key} {' or '.join(words)}"
            raise InputError(message, hint="give either the name or the option")
        given[key] = both[0] if len(both) == 1 else both
    _insist_on_known(session, [(key, word) for key, words in given.items() for word in words_of(words)])
    return replace(chosen, **given)


def _insist_on_known(session: Session, given: Sequence[tuple[str, str]]) -> None:
    """Insist that every word was ever recorded under its key. Raises InputError naming all that were not."""
    from bundlekeeper.ledger.ask.where import ever, nearest
    from bundlekeeper.model.vocabulary import KINDS

    wrong, near = [], []
    for key, value in given:
        if ever(session.ledger, key, value) or (key == "kind" and value in KINDS):
            continue
        kinds = {*KINDS, *session.own_kinds} if key == "kind" else set()
        if value in kinds:
            continue
        wrong.append(f"--{key} {value}: no {key} of that name was ever recorded")
        close = nearest(session.ledger, key, value, kinds)
        near.extend([f"--{key} {close}"] if close else [])
    if wrong:
        hint = f"did you mean {', '.join(near)}?" if near else "bundlekeeper where shows what is known"
        if len(wrong) == 1:
            raise InputError(wrong[0], hint=hint)
        raise InputError(f"{len(wrong)} words were never recorded", hint=hint, evidence=wrong)
