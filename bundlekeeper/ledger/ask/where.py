"""Which version is staged, pending, active, where, since when, reported by whom; on any day, and as believed then.

Rules: answers follow from the events and nothing else, so stores that exchanged their events give equal answers (except
about what was *known* when, which is about one store); nothing here writes; one call is one snapshot.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime

from bundlekeeper.errors import InputError
from bundlekeeper.ledger.ask.answering import Answering, Chosen, tags_of
from bundlekeeper.ledger.ask.as_of import AsOf, StateAsOf, about
from bundlekeeper.ledger.ask.find import slot_words, tagged
from bundlekeeper.ledger.ask.types import (
    BundleOf,
    Selector,
    WhereAnswer,
    WhereGroup,
    words_of,
)
from bundlekeeper.ledger.event import seals
from bundlekeeper.ledger.event.events import RANK
from bundlekeeper.ledger.event.places import RowsQuestion, by_place
from bundlekeeper.ledger.event.rows import NOTHING
from bundlekeeper.ledger.record.ledger import Ledger, LedgerEntry
from bundlekeeper.ledger.state.banks import Bank, Image, version_in
from bundlekeeper.model.vocabulary import BOOT_FILES

GROUP_KEYS = ("site", "domain", "chassis", "kind", "model", "active", "pending", "spare", "staged")
_BANK_NAMES = ("active", "pending", "spare", "staged", "boot_files")
_PLACES = ("site", "domain", "chassis", "kind", "model")
_SERIALS = ("component", "parent", "name")
_WORDS = (*_PLACES, "parent", "name")


def where(
    ledger: Ledger,
    selector: Selector,
    *,
    on: date | datetime | None = None,
    known: date | datetime | None = None,
    zone: str = "UTC",
    clock: datetime | None = None,
) -> list[WhereAnswer]:
    """The state of every component that is selected: now, `on` a day or instant, or as it was believed at `known`.

    `zone` counts for sites whose zone no reading has, and for a `known` without one of its own; `clock` is the time
    now, aware: without `on` and `known`, events of a later day do not count. Sorted by place.
    Raises InputError for an unknown zone or bank; DamagedError, LockedError, UnfinishedError.
    """
    with ledger.reading():
        chosen = list(_chosen(ledger, selector, AsOf(ledger, on, known, zone, clock)))
        return sorted(Answering(ledger, chosen).answers(), key=place_order)


def summary(
    ledger: Ledger,
    keys: Sequence[str],
    selector: Selector | None = None,
    *,
    on: date | datetime | None = None,
    known: date | datetime | None = None,
    zone: str = "UTC",
    clock: datetime | None = None,
) -> list[WhereGroup]:
    """How many components share the same values of `keys` (of GROUP_KEYS). Raises as `where`."""
    unknown = [key for key in keys if key not in GROUP_KEYS]
    if unknown:
        raise InputError(f"cannot count by {', '.join(unknown)}", hint=f"count by {', '.join(GROUP_KEYS)}")
    selector = selector or Selector()
    counts: dict[tuple[str | None, ...], list[int]] = {}
    with ledger.reading():
        for numbers, count, differs in _counted(ledger, keys, selector, AsOf(ledger, on, known, zone, clock)):
            values = tuple(ledger.words.maybe(number) if number != 0 else "" for number in numbers)
            group = counts.setdefault(values, [0, 0])
            group[0] += count
            group[1] += differs
    groups = [WhereGroup(values, count, differs) for values, (count, differs) in counts.items()]
    return sorted(groups, key=lambda g: tuple((value is None, value or "") for value in g.values))


def undigested(
    ledger: Ledger,
    selector: Selector,
    *,
    on: date | datetime | None = None,
    known: date | datetime | None = None,
    zone: str = "UTC",
    clock: datetime | None = None,
) -> int:
    """How many of the components that are selected, whatever the digest, have in one of the selector's banks an image
    of which no event states the digest. Raises as `where`.
    """
    banks = words_of(selector.bank) or _BANK_NAMES
    with ledger.reading():
        as_of, meant = AsOf(ledger, on, known, zone, clock), _Meant(ledger, replace(selector, sha256=""))
        alone = meant.by_place_alone(as_of)
        if meant.impossible:
            return 0
        if alone is None:
            states = (chosen.state for chosen in _chosen(ledger, meant.selector, as_of))
            return sum(_is_undigested(state, banks) for state in states)
        images = ledger.images.all().items()
        numbers = ",".join(str(int(number)) for number, image in images if _has_no_digest(image)) or "-1"
        plain = [bank for bank in banks if bank != BOOT_FILES]
        term = " OR ".join(f"{bank} IN ({numbers})" for bank in plain) or "false"
        rows = by_place(ledger.connection, "NULL", f"{alone[0]} AND ({term})", alone[1], "count(*)")
        count: int = sum(row[1] for row in rows)
        if BOOT_FILES in banks:  # those that were not counted yet
            others = (state for state in as_of.states(meant.by_boot_file(numbers)) if meant.matches(state) is not None)
            count += sum(_is_undigested(s, (BOOT_FILES,)) and not _is_undigested(s, plain) for s in others)
        return count


def _has_no_digest(image: Image) -> bool:
    return image[0] > NOTHING and not image[3]


def _is_undigested(state: StateAsOf, banks: Sequence[str]) -> bool:
    """True where a bank has an image of which no event states the digest."""
    return any(_has_no_digest(image) for image in _in_banks(state, banks))


def history(ledger: Ledger, component: str) -> list[LedgerEntry]:
    """Every event of a component, void ones too, in the order in which they happened.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    entries = ledger.entries(component=component)
    return sorted(entries, key=lambda e: (e.event.at.at_us, e.event.order, RANK[e.event.what], e.id))


def ever_bundle(ledger: Ledger, family: str, version: str) -> bool:
    """True when an event ever named this bundle. Raises DamagedError, LockedError, UnfinishedError."""
    with ledger.reading():
        numbers = (ledger.words.surely(family), ledger.words.surely(version))
        if None in numbers:
            return False
        select = "SELECT 1 FROM {} WHERE family = ? AND bundle = ? LIMIT 1"
        return any(ledger.connection.execute(select.format(t), numbers).fetchone() for t in ("image", "event"))


def recorded_versions(ledger: Ledger) -> list[str]:
    """The versions of all images that were ever recorded. Raises DamagedError, LockedError, UnfinishedError."""
    with ledger.reading():
        numbers = {image[0] for image in ledger.images.all().values()}
        ledger.words.fetch(numbers)
        return sorted(ledger.words.text(number) for number in numbers)


def _chosen(ledger: Ledger, selector: Selector, as_of: AsOf) -> Iterator[Chosen]:
    """The components that the selector means, with their states."""
    for bank in words_of(selector.bank):
        if bank not in _BANK_NAMES:
            raise InputError(f"there is no bank {bank!r}", hint=f"the banks are {', '.join(_BANK_NAMES)}")
    meant = _Meant(ledger, selector)
    if meant.impossible:
        return
    for state in as_of.states(meant.questions(), meant.words.get("component")):
        bundles = meant.matches(state)
        if bundles is not None:
            yield Chosen(state, bundles)


def _abouts(components: Sequence[int]) -> Iterator[RowsQuestion]:
    for start in range(0, len(components), 500):
        yield about(components[start : start + 500])


class _Meant:
    """A selector in the numbers of one store."""

    def __init__(self, ledger: Ledger, selector: Selector) -> None:
        self.ledger = ledger
        self.selector = selector
        self.words: dict[str, tuple[int, ...]] = {}  # of each field that is given: one of them suffices
        self.impossible = False  # it names something that no event ever named
        for key in (*_WORDS, "tag", "component", "version", "sha256"):
            texts = words_of(getattr(selector, key))
            if texts:
                numbers = (ledger.words.surely(text) for text in texts)
                self.words[key] = tuple(number for number in numbers if number is not None)
                self.impossible = self.impossible or not (self.words[key] or (key == "version" and selector.equals))
        self._equals: dict[int, set[int | None]] = {}  # versions -> the kinds for which they are the one asked for
        for image in selector.equals:
            if (number := ledger.words.surely(image.version)) is not None:
                self._equals.setdefault(number, set()).add(ledger.words.find(image.kind))
        self.banks = words_of(selector.bank) or (("staged",) if selector.staged else _BANK_NAMES)
        slots = words_of(selector.slot)
        self.slots = tuple(sorted({word for slot in slots for word in slot_words(ledger, slot)})) if slots else None
        self.of_images = bool(selector.version or selector.sha256 or selector.bundles)
        self._bundles: dict[Image, tuple[BundleOf, ...] | None] = {}
        self.impossible = self.impossible or self.slots == ()

    def _of(self, image: Image) -> tuple[BundleOf, ...] | None:
        """The bundles that may have an image (kind and model are compared later); None where it is not meant."""
        if image not in self._bundles:
            find = self.ledger.words.find
            named = (image[1], image[2])
            bundles = tuple(
                bundle
                for bundle in self.selector.bundles
                if (
                    image[2]
                    and named == (find(bundle.family), find(bundle.version))
                    and (not bundle.sha256 or not image[3] or image[3] == find(bundle.sha256))
                )
                or (not image[2] and any(find(i.version) == image[0] for i in bundle.images))
            )
            is_other = image[0] not in self._equals and self._is_other("version", image[0])
            others = is_other or self._is_other("sha256", image[3])
            self._bundles[image] = None if others or (self.selector.bundles and not bundles) else bundles
        return self._bundles[image]

    def _is_other(self, key: str, number: int | None) -> bool:
        """True where a field is given and this is none of its words."""
        return key in self.words and number not in self.words[key]

    def questions(self) -> Iterator[RowsQuestion]:
        """Questions about rows of `state` that together miss none that is meant."""
        if "component" in self.words:
            yield about(self.words["component"])
            return
        condition, values = self.condition()
        if self.of_images:
            yield from self._by_image(self.banks, condition, values)
        elif "parent" in self.words:
            yield RowsQuestion("parent = ?", self.words["parent"], "state_parent")
        elif "name" in self.words:
            yield RowsQuestion("name = ?", self.words["name"], "state_name")
        elif "tag" in self.words:
            yield from _abouts(tagged(self.ledger, self.selector.tag))
        elif self.selector.staged:
            yield from self._by_image(("staged",), condition, values)
        else:
            yield RowsQuestion(condition, values, "state_site" if "site" in self.words else "state_place")

    def condition(self) -> tuple[str, list[int]]:
        """The condition on place, kind and model, which are columns of the indexes by place."""
        terms: list[str] = []
        values: list[int] = []
        for key in _PLACES:
            if key in self.words:
                numbers = self.words[key]
                terms.append(f"{key} = ?" if len(numbers) == 1 else f"{key} IN ({','.join('?' * len(numbers))})")
                values.extend(numbers)
        if self.slots is not None:
            terms.append(f"slot IN ({','.join('?' * len(self.slots))})")
            values.extend(self.slots)
        return " AND ".join(terms) or "true", values

    def _by_image(self, banks: Sequence[str], condition: str, values: Sequence[int]) -> Iterator[RowsQuestion]:
        images = self.ledger.images.all().items()
        numbers = ",".join(str(int(number)) for number, image in images if self._of(image) is not None) or "0"
        for bank in _BANK_NAMES:  # no image has the number 0, and SQLite uses no index for an empty list
            if bank not in banks:
                continue
            if bank == "boot_files":
                yield from self.by_boot_file(numbers)
            else:
                yield RowsQuestion(f"{bank} > 0 AND {bank} IN ({numbers})", (), f"state_{bank}", condition, values)

    def by_boot_file(self, numbers: str) -> Iterator[RowsQuestion]:
        """The components that had one of these images as a boot file at any time."""
        select = f"SELECT component{{}} FROM boot_files WHERE {{}}image IN ({numbers})"  # noqa: S608  (numbers)
        found, other = (
            {row[0] for row in self.ledger.connection.execute(select.format(cell, plus))}
            for cell, plus in (("", ""), (", seal", "+"))  # by its index; by the table, as no index has the seal
        )
        if found != other:
            raise seals.derived("boot files of components are missing")
        yield from _abouts(sorted(found))

    def by_place_alone(self, as_of: AsOf) -> tuple[str, list[int]] | None:
        """The condition that the rows of the components meant meet, and no others, in columns of the indexes by place;
        None where states must be read."""
        is_by_index = self.of_images or self.selector.staged or self.words.keys() & {*_SERIALS, "tag"}
        time = None if is_by_index or as_of.again else as_of.rows_then
        if time is None:
            return None
        condition, values = self.condition()
        present = "" if self.selector.gone else "present = 1 AND "
        return f"{time[0]} AND {present}{condition}", [*time[1], *values]

    def matches(self, state: StateAsOf) -> tuple[BundleOf, ...] | None:
        """The bundles of the selector that are there; None where the component is not meant."""
        snapshot = state.snapshot
        if not snapshot.present and not self.selector.gone and "component" not in self.words:
            return None
        for key in _WORDS:
            if self._is_other(key, getattr(snapshot, key)):
                return None
        if self._is_other("component", state.component):
            return None
        if self.slots is not None and snapshot.slot not in self.slots:
            return None
        if self.selector.tag and self.selector.tag not in tags_of(self.ledger, snapshot):
            return None
        if self.selector.staged and version_in(snapshot.staged) is None:
            return None
        if not self.of_images:
            return ()
        found: list[BundleOf] = []
        meant = False
        for image in _in_banks(state, self.banks):
            bundles = self._of(image)
            if self._is_other("version", image[0]) and snapshot.kind not in self._equals.get(image[0], ()):
                continue
            if bundles is not None:
                fitting = [bundle for bundle in bundles if self._fits(bundle, image, state)]
                meant = meant or not bundles or bool(fitting)
                found.extend(b for b in fitting if b not in found)
        return tuple(found) if meant else None

    def _fits(self, bundle: BundleOf, image: Image, state: StateAsOf) -> bool:
        """True when events name the bundle, or when the bundle has this version for this kind and model.

        Where they name no digest, and the bundle is one of several files of its version, both must be so.
        """
        if image[2] and (image[3] or not bundle.sha256 or not bundle.images):
            return True
        words = self.ledger.words
        version, kind = words.text(image[0]), words.maybe(state.snapshot.kind)
        model = words.maybe(state.snapshot.model)
        return any(
            i.version == version and i.kind == kind and (model is None or not i.models or model in i.models)
            for i in bundle.images
        )


def _in_banks(state: StateAsOf, banks: Sequence[str]) -> Iterator[Image]:
    """The images in these banks."""
    for name in _BANK_NAMES:
        if name not in banks:
            continue
        if name == BOOT_FILES:
            yield from (image for image, _ in state.boot_files)
            continue
        bank: Bank = getattr(state.snapshot, name)
        if bank is not None and bank[0] is not None:
            yield bank[0]


def place_order(answer: WhereAnswer) -> tuple[str, ...]:
    """What answers are sorted by: site, domain, chassis, slot, kind, component."""
    place = answer.place
    levels = (None,) * 4 if place is None else (place.site, place.domain, place.chassis, place.slot)
    return (*(level or "" for level in levels), answer.kind, answer.component)


def _counted(
    ledger: Ledger, keys: Sequence[str], selector: Selector, as_of: AsOf
) -> Iterable[tuple[tuple[int | None, ...], int, int]]:
    """Of each group: numbers of words, 0 for none; how many components; how many of them differ."""
    meant = _Meant(ledger, selector)
    alone = meant.by_place_alone(as_of)
    if alone is not None:
        if not meant.impossible:
            yield from _counted_by_place(ledger, keys, *alone)
        return
    for chosen in _chosen(ledger, selector, as_of):
        found = chosen.state.snapshot
        yield tuple(_group_cell(getattr(found, key)) for key in keys), 1, found.differs


def _group_cell(value: int | Bank) -> int | None:
    if value is None or isinstance(value, int):
        return value
    return 0 if value[0] is None else value[0][0]


def _counted_by_place(
    ledger: Ledger, keys: Sequence[str], condition: str, values: Sequence[int]
) -> Iterator[tuple[tuple[int | None, ...], int, int]]:
    """The same of the rows that meet a condition, counted by the database."""
    columns, sums = ", ".join(keys) or "NULL", "count(*), total(differs)"
    rows = by_place(ledger.connection, columns, condition, values, sums)
    for *cells, count, differs in rows:
        numbers = []
        for key, cell in zip(keys, cells, strict=False):
            is_image = key in _BANK_NAMES and cell
            numbers.append(ledger.images.image(cell)[0] if is_image else cell)
        yield tuple(numbers), count, int(differs)
