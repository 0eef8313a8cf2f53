"""Which of many components a statement is about; the others are passed over, with a word why.

Rules: a single component is never passed over, so that what is wrong with it is refused; what is passed over is
counted by kind, and nothing is recorded of it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import counted, visible
from bundlekeeper.model.record_rules import RecordedBundle, can_be_staged

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.planning.fleet.known_versions import KnownVersions

Answers = Sequence["WhereAnswer"]
Tell = Callable[[str], None]


def with_image(answers: Answers, bundle: RecordedBundle, tell: Tell) -> Answers:
    """The components that the bundle has an image for. Raises InputError where that is none of several."""
    if not bundle.images or len(answers) == 1:
        return answers
    fits = {(image.kind, model) for image in bundle.images for model in image.models}
    kinds = {kind for kind, _ in fits}
    kept = [answer for answer in answers if (answer.kind, answer.model) in fits]
    if not kept:
        message = "the bundle has no image for any of these components"
        raise InputError(message, hint="bundlekeeper store list --json lists images")
    names = (
        f"{answer.kind} {answer.model or 'of an unknown model'}" if answer.kind in kinds else answer.kind
        for answer in answers
        if (answer.kind, answer.model) not in fits
    )
    _tell(names, f"{bundle.family} {bundle.version} has no image for", tell)
    return kept


def with_a_bank(answers: Answers, method_of: Callable[[str], str], tell: Tell) -> Answers:
    """The components that an image can be staged on; all of them where that is none of them, so that it is refused."""
    kept = [answer for answer in answers if can_be_staged(method_of(answer.kind))]
    if not kept:
        return answers
    names = (answer.kind for answer in answers if not can_be_staged(method_of(answer.kind)))
    _tell(names, "overwritten in place, not staged (record the activation):", tell)
    return kept


def that_can_run(
    answers: Answers, versions: Collection[str], chosen: Collection[str], known: KnownVersions, tell: Tell
) -> Answers:
    """The components of kinds that some bundle brings one of these versions for; all where that is none of them.

    Kinds that were `chosen` by their name are never passed over.
    """
    kinds = {answer.kind for answer in answers}
    wanted = {kind for kind in kinds if any(known.brings(kind, version) for version in versions)}
    if not wanted or len(answers) == 1:
        return answers
    meant = wanted | set(chosen)
    _tell(
        (answer.kind for answer in answers if answer.kind not in meant),
        f"no bundle has {' or '.join(map(visible, versions))} for",
        tell,
    )
    return [answer for answer in answers if answer.kind in meant]


def _tell(names: Iterable[str], reason: str, tell: Tell) -> None:
    counts = Counter(names)
    if counts:
        listed = ", ".join(f"{count} {name}" for name, count in sorted(counts.items()))
        tell(f"passed over: {counted(counts.total(), 'component')}: {reason} {listed}")
