"""What still needs a bundle of the store: components that have it, stops of kept plans, sets without a receipt.

Rules: an image that no event names by its bundle is any bundle's that lists this version for its kind and model; a
bundle of which nothing is known to need it is not needed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.formats.escape import counted
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.usage import ImageUsed
    from bundlekeeper.store.database.rows import StoredBundle


@dataclass(frozen=True, slots=True)
class Need:
    """One reason why a bundle is needed: active, staged or previous on `count` components, a plan or a set by name."""

    what: str
    count: int = 0
    name: str = ""

    def text(self) -> str:
        """For people: `active on 5 components`, `plan holm-b-6.1`, `set marram-set0002`."""
        return f"{self.what} on {counted(self.count, 'component')}" if self.count else f"{self.what} {self.name}"


Needs = Mapping[str, tuple[Need, ...]]


def needs(session: Session, rows: Sequence[StoredBundle]) -> Needs:
    """By place, why each bundle is needed; empty for one that nothing needs.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    used: list[ImageUsed] = []
    if session.ledger_is_there:
        from bundlekeeper.ledger.ask.usage import images_used

        used = images_used(session.ledger)
    named = [*_of_plans(session), *_of_sets(session)]
    by_image: dict[tuple[str, str], list[ImageUsed]] = {}
    by_bundle: dict[tuple[str, str], list[ImageUsed]] = {}
    for use in used:
        if use.bundle:
            by_bundle.setdefault((use.family, use.bundle), []).append(use)
        else:
            by_image.setdefault((use.kind, use.version), []).append(use)
    return {row.place: (*_on_components(row, by_image, by_bundle), *_of(row, named)) for row in rows}


_Uses = Mapping[tuple[str, str], Sequence["ImageUsed"]]


def _on_components(row: StoredBundle, by_image: _Uses, by_bundle: _Uses) -> Iterator[Need]:
    uses = [*by_bundle.get((row.family, row.version), ())]
    for image in row.images:
        for use in by_image.get((image.kind, image.version), ()):
            if use not in uses and (not use.model or not image.models or use.model in image.models):
                uses.append(use)
    counts: dict[str, int] = {}
    for use in uses:
        counts[use.use.value] = counts.get(use.use.value, 0) + use.count
    yield from (Need(what, count) for what, count in counts.items())


def _of(row: StoredBundle, named: Iterable[tuple[str, str, Need]]) -> Iterator[Need]:
    yield from dict.fromkeys(need for family, version, need in named if (family, version) == (row.family, row.version))


def _of_plans(session: Session) -> Iterator[tuple[str, str, Need]]:
    """The bundles of all steps of the kept plans that are not closed: what was done may have to be done again."""
    if not (session.root / ".keeper" / "plans").is_dir():
        return
    from bundlekeeper.model.route.document import read_document

    plans = session.plans
    for plan in plans.kept():
        document = read_document(plans.data(plan.sha256), plan.name) if plan.is_open else None
        for step in document.raw["route"]["steps"] if document is not None else ():
            for change in step["changes"]:
                yield change["family"], change["version"], Need("plan", name=plan.name)


def _of_sets(session: Session) -> Iterator[tuple[str, str, Need]]:
    """The bundles of the sets that went out and came to nothing that is known here."""
    if not (session.root / ".keeper" / "sets").is_dir():
        return
    from bundlekeeper.jobs.media.list_sets import list_sets
    from bundlekeeper.media.set.remembered_sets import Sets
    from bundlekeeper.media.set.signed_index import index_or_finding

    found = list_sets(session)
    waiting = {problem.subject for problem in found.findings if problem.code == "receipt-missing"}
    for name in sorted(waiting):
        index, _ = index_or_finding(Sets(session.store), found.by_name[name].sent, name)
        for file in index.index.files if index is not None else ():
            if file.family:
                yield file.family, file.version, Need("set", name=name)
