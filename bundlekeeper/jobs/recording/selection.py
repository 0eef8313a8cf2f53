"""Which components are meant: a name and the place options together, checked against what was ever recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import some
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import Selector, WhereAnswer


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


def selector_of(session: Session, places: Places, *, sorts: bool = False) -> Selector:
    """What a name and the place options mean together; with `sorts` a name may be that of a kind, model or family.

    Raises InputError for a name or a word that was never recorded; a kind that exists is allowed even where no
    component of it was recorded.
    """
    from bundlekeeper.ledger.ask.types import Selector, words_of

    chosen = _named(session, places.name) if places.name else Selector()
    if not sorts and (chosen.kind or chosen.model):
        message = f"{places.name} is no place and no component: it means all of that sort, everywhere"
        raise InputError(message, hint="--kind or --model, with --site or --domain, says which are meant")
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


def insist_on_one_meaning(session: Session, places: Places, selector: Selector, answers: Sequence[WhereAnswer]) -> None:
    """Raise InputError where what is to be recorded may be meant of another device of the same name.

    `answers` are the components that the selector means. A host name is of one server; a name of a site or a domain is
    not a host name as well.
    """
    from bundlekeeper.ledger.ask import where as questions
    from bundlekeeper.ledger.ask.types import Selector

    name = places.name
    if name is None or name not in (selector.name, selector.site, selector.domain):
        return
    named = answers
    level = next((key for key in ("site", "domain") if getattr(selector, key) == name), "")
    if level:
        named = questions.where(session.ledger, Selector(name=name), clock=session.now())
    servers = {a.parent or a.component: a.place.path() if a.place else "?" for a in named}
    meant = [f"host {serial} ({place})" for serial, place in sorted(servers.items())]
    meant += [f"{level} {name} (--{level} {name})"] if level else []
    if len(meant) > 1:
        message = f"{name} is the name of {len(meant)}: {some(meant, 5)}"
        raise InputError(message, hint="give the serial" + (f", or --{level}" if level else ""))


def _named(session: Session, name: str) -> Selector:
    """What a name means: what was recorded under it, else a kind or a family. Raises InputError for none of these."""
    from bundlekeeper.ledger.ask.find import find
    from bundlekeeper.ledger.ask.types import Selector
    from bundlekeeper.model.vocabulary import FAMILIES, KINDS

    try:
        return find(session.ledger, name)
    except InputError:
        if name in FAMILIES:
            return _of_family(session, name)
        if name in {*KINDS, *session.own_kinds}:
            return Selector(kind=name)
        raise


def _of_family(session: Session, family: str) -> Selector:
    """The components that a family's bundles are for. Raises InputError where no bundle says for which models."""
    from bundlekeeper.ledger.ask.types import Selector
    from bundlekeeper.model.vocabulary import INFRASTRUCTURE, KINDS

    if family == INFRASTRUCTURE:
        return Selector(kind=tuple(kind for kind, facts in KINDS.items() if not facts.of_server))
    bundles = [*(session.database.stored() if session.database is not None else ())]
    listed = session.manifest.bundle if session.manifest is not None else ()
    images = [i for bundle in (*bundles, *listed) if bundle.family == family for i in bundle.images if i.models]
    if not images:
        message = f"nothing says for which models {family} bundles are"
        raise InputError(message, hint="bundlekeeper store add MANIFEST --from DIR, or --kind and --model")
    models = sorted({model for image in images for model in image.models})
    return Selector(kind=tuple(sorted({image.kind for image in images})), model=tuple(models))


def _insist_on_known(session: Session, given: Sequence[tuple[str, str]]) -> None:
    """Insist that every word was ever recorded under its key. Raises InputError naming all that were not."""
    from bundlekeeper.ledger.ask.find import ever, nearest
    from bundlekeeper.model.vocabulary import KINDS

    wrong, near = [], []
    good: dict[str, tuple[str, ...]] = {}
    for key, value in given:
        if ever(session.ledger, key, value):
            good[key] = (*good.get(key, ()), value)
    for key, value in given:
        if value in good.get(key, ()) or (key == "kind" and value in KINDS):
            continue
        kinds = {*KINDS, *session.own_kinds} if key == "kind" else set()
        if value in kinds:
            continue
        wrong.append(f"--{key} {value}: no {key} of that name was ever recorded")
        within = {other: words for other, words in good.items() if other != key}
        close = nearest(session.ledger, key, value, kinds, within)
        near.extend([f"--{key} {close}"] if close else [])
    if wrong:
        hint = f"did you mean {', '.join(near)}?" if near else "bundlekeeper where shows what is known"
        if len(wrong) == 1:
            raise InputError(wrong[0], hint=hint)
        raise InputError(f"{len(wrong)} words were never recorded", hint=hint, evidence=wrong)
