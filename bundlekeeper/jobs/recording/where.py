"""Where images are: components and their banks, counts of them, or the history of one, now or on any day.

Rules: nothing is computed here that the ledger did not answer; a bundle's images are those of the store where the
bundle is in it, else those of the manifest in force; doubts about the moment that is asked about come with the answer.
"""

from __future__ import annotations

import re
from dataclasses import field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.recording.manifest_doubts import known_versions
from bundlekeeper.jobs.recording.selection import Places, selector_of
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date, datetime

    from bundlekeeper.ledger.ask.types import BundleOf, Selector, WhereAnswer, WhereGroup
    from bundlekeeper.ledger.record.ledger import Ledger, LedgerEntry
    from bundlekeeper.model.manifest.types import Bundle
    from bundlekeeper.planning.fleet.version_scale import OrderOfKinds
    from bundlekeeper.store.database.rows import StoredBundle


_GONE_READ = 100  # components whose history is read for when they went


@dataclass(frozen=True, slots=True)
class WhereAsked:
    """Which images are asked for: of several words of one field, one suffices."""

    bundle: tuple[str, ...] = ()
    version: tuple[str, ...] = ()
    sha256: tuple[str, ...] = ()
    bank: tuple[str, ...] = ()
    withdrawn: bool = False
    gone: bool = False
    staged: bool = False


@dataclass(frozen=True, slots=True)
class WhereTimes:
    """The day that is asked about and the day of what was known, as given; `zone` for sites whose zone is not known."""

    on: str | None = None
    known: str | None = None
    zone: str = "UTC"


@dataclass(frozen=True, slots=True)
class WhereDevice:
    """The one server, or component of none, that all answers are of: what people call it, and what it is at.

    `serial` is the server's, else the component's identity. `bundles` are empty where it is not known that every
    component that a bundle covers runs the bundle's version.
    """

    serial: str
    name: str
    tags: tuple[str, ...]
    place: str
    model: str
    bundles: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WhereFound:
    """One of three: the states of components, counts by `keys`, or everything that was recorded of `components`.

    `gone` components would match with --gone, `gone_since` the times that are known of them.
    `batches` are id and name of the batch of each of `entries`, by its number. `device` is given where all answers are
    of one server, or there is one. `components` is None where no history
    was asked for; `possible` is False where nothing can match, because nothing is withdrawn.
    """

    times: WhereTimes
    doubts: list[Finding]
    possible: bool = True
    answers: list[WhereAnswer] = field(default_factory=list)
    gone: int = 0
    gone_since: tuple[str, ...] = ()
    keys: tuple[str, ...] = ()
    groups: list[WhereGroup] = field(default_factory=list)
    components: list[str] | None = None
    entries: list[LedgerEntry] = field(default_factory=list)
    batches: dict[int, tuple[str, str]] = field(default_factory=dict)
    device: WhereDevice | None = None

    @property
    def contents(self) -> list[dict[str, Any]]:
        """The content of each of `entries`, as the ledger has it."""
        from bundlekeeper.ledger.event.events import content

        return [content(entry.event) for entry in self.entries]


def where(
    session: Session, places: Places, asked: WhereAsked, times: WhereTimes, *, count: str = "", history: bool = False
) -> WhereFound:
    """Ask the ledger; with `count` (keys, separated by commas) for counts, with `history` for events, of gone ones too.

    Raises InputError for what was never recorded and for a question that cannot be; DamagedError, LockedError,
    RefusedError, UnfinishedError.
    """
    from bundlekeeper.ledger.ask import where as questions

    ledger = session.ledger
    meant = narrowed(session, selector_of(session, places, sorts=True), asked)
    on, known = time_of(times.on, "--on"), time_of(times.known, "--known")
    doubtful = [] if history else session.judged(doubts(ledger, on, known, times.zone, session.now()))
    found = partial(WhereFound, times, doubtful)
    if meant is None:
        return found(possible=False)
    if history:
        answers = questions.where(ledger, replace(meant, gone=True), clock=session.now())
        components = [answer.component for answer in answers] or ([meant.component] if meant.component else [])
        entries = [entry for component in components for entry in questions.history(ledger, component)]
        return found(components=components, entries=entries, batches=_batches(ledger, entries))
    if count:
        keys = tuple(key.strip() for key in count.split(","))
        groups = questions.summary(ledger, keys, meant, on=on, known=known, zone=times.zone, clock=session.now())
        return found(keys=keys, groups=groups)
    ask = partial(questions.where, ledger, on=on, known=known, zone=times.zone, clock=session.now())
    answers = ask(meant)
    if meant.sha256:
        undigested = questions.undigested(ledger, meant, on=on, known=known, zone=times.zone, clock=session.now())
        doubtful += session.judged(_not_compared(undigested - _undigested_among(answers, meant)))
    doubtful += session.judged(_never_recorded(ledger, meant))
    if answers or meant.gone:
        return found(answers=answers, device=_device(session, answers))
    gone = ask(replace(meant, gone=True))
    now = gone[:_GONE_READ] if on is None and known is None else []
    since = tuple(dict.fromkeys(gone_since(ledger, answer.component) for answer in now))
    return found(gone=len(gone), gone_since=since)


def _undigested_among(answers: Sequence[WhereAnswer], meant: Selector) -> int:
    """How many of the answers are of a component that has another image, too, of which no entry states the digest."""
    from bundlekeeper.ledger.ask.types import words_of

    banks = words_of(meant.bank) or ("active", "pending", "spare", "staged")
    unknown = 0
    for answer in answers:
        images = [image for bank in banks if bank != "boot_files" and (image := getattr(answer, bank)) is not None]
        images += answer.boot_files if "boot_files" in banks or not meant.bank else ()
        unknown += any(image.version and not image.sha256 for image in images)
    return unknown


def _not_compared(unknown: int) -> list[Finding]:
    """A note where a digest is asked for and images are known by their version only: they may be that file, too."""
    if not unknown:
        return []
    components = counted(unknown, "component has", "components have")
    message = f"{components} an image whose digest no entry states: not compared"
    return [finding("not-checked", "--sha256", message, "--bundle asks by the version, too", Level.NOTE)]


def _never_recorded(ledger: Ledger, meant: Selector) -> list[Finding]:
    """A note for each version that is asked for and that nothing ever had."""
    from bundlekeeper.ledger.ask.types import words_of
    from bundlekeeper.ledger.ask.where import recorded_versions

    versions = () if meant.equals else words_of(meant.version)
    texts = recorded_versions(ledger) if versions else []
    message = "no component was ever recorded with it"
    return [finding("version-unknown", f"--version {v}", message, _near(v, texts), Level.NOTE)
            for v in versions if v not in texts]  # fmt: skip


def _near(word: str, known: Sequence[str]) -> str:
    from difflib import get_close_matches

    near = get_close_matches(word, known, n=1)
    return f"did you mean {near[0]}?" if near else "bundlekeeper where --count active shows what runs"


def _device(session: Session, answers: Sequence[WhereAnswer]) -> WhereDevice | None:
    """What all answers are of, where that is one server or one component."""
    serials = {answer.parent or answer.component for answer in answers}
    if len(serials) != 1:
        return None
    places = [answer.place.path() for answer in answers if answer.place is not None]
    models = {answer.model for answer in answers if answer.model}
    return WhereDevice(
        serials.pop(),
        next((answer.name for answer in answers if answer.name), ""),
        tuple(dict.fromkeys(tag for answer in answers for tag in answer.tags)),
        min(places, key=len, default="?"),
        models.pop() if len(models) == 1 else "",
        tuple(_bundles_run(session, answers)),
    )


def _bundles_run(session: Session, answers: Sequence[WhereAnswer]) -> Iterator[str]:
    """The bundles of the store whose version is, word for word, what every component that they cover runs."""
    for bundle in _stored(session):
        images = {(image.kind, model): image.version for image in bundle.images for model in image.models}
        covered = [(a.active.version if a.active else "", v) for a in answers if (v := images.get((a.kind, a.model)))]
        if covered and all(runs == version for runs, version in covered):
            yield f"{bundle.family} {bundle.version}"


def _batches(ledger: Ledger, entries: list[LedgerEntry]) -> dict[int, tuple[str, str]]:
    from bundlekeeper.ledger.record.batches import names_of_events

    with ledger.reading():
        return names_of_events(ledger.connection, [entry.seq for entry in entries])


def time_of(text: str | None, option: str) -> date | datetime | None:
    """The day or moment that an option names; None where it is not given. Raises InputError."""
    from bundlekeeper.formats.moments import parse

    if text is None:
        return None
    try:
        return parse(text)
    except InputError as error:
        raise InputError(f"{option}: {error.message}", hint=error.hint) from error


def narrowed(session: Session, selector: Selector, asked: WhereAsked) -> Selector | None:
    """Join the images that are asked for to the places; None where nothing can match, because nothing is withdrawn.

    Raises InputError for a bundle that is not known.
    """
    bundles: tuple[BundleOf, ...] = ()
    if asked.withdrawn:
        bundles = _withdrawn(session)
        if not bundles:
            return None
    elif asked.bundle:
        bundles = tuple(bundle for name in dict.fromkeys(asked.bundle) for bundle in _bundles(session, name))
    digests = tuple(digest.lower() for digest in asked.sha256)
    if any(len(digest) != 64 or set(digest) - set("0123456789abcdef") for digest in digests):
        raise InputError("--sha256 takes 64 hexadecimal digits", hint="the whole digest, as sha256sum prints it")
    selector = replace(
        selector, bundles=bundles, version=asked.version, sha256=digests, bank=asked.bank, gone=asked.gone,
        staged=asked.staged,
    )  # fmt: skip
    has_versions = bool(asked.version) or any(bundle.images for bundle in bundles)
    return _with_equals(session, selector) if has_versions else selector


def _with_equals(session: Session, selector: Selector) -> Selector:
    """The same with the versions that are equal in the order of the manifest in force, as they were recorded.

    Of two bundles, one that lists the very text has it, and not one that lists an equal version.
    """
    from bundlekeeper.ledger.ask.types import ImageOf, words_of
    from bundlekeeper.ledger.ask.where import recorded_versions
    from bundlekeeper.model.vocabulary import KINDS
    from bundlekeeper.planning.fleet.version_scale import ScaleOfKinds

    orders = _orders(session)
    if not orders:
        return selector
    scales, texts = ScaleOfKinds(orders), recorded_versions(session.ledger)
    equals = tuple(
        ImageOf(kind, (), text)
        for kind in dict.fromkeys((*KINDS, *filter(None, orders)))
        for version in words_of(selector.version)
        for text in scales.equals(kind, version, texts)
    )
    others = [
        (bundle, image, text)
        for bundle in selector.bundles
        for image in bundle.images
        for text in scales.equals(image.kind, image.version, texts)
        if text != image.version
    ]
    listed = _images_listed(session) if others else set()
    more: dict[BundleOf, list[ImageOf]] = {}
    for bundle, image, text in others:
        models = tuple(model for model in image.models if (image.kind, model, text) not in listed)
        if models:
            more.setdefault(bundle, []).append(ImageOf(image.kind, models, text))
    bundles = tuple(replace(bundle, images=(*bundle.images, *more.get(bundle, ()))) for bundle in selector.bundles)
    return replace(selector, equals=equals, bundles=bundles)


def _orders(session: Session) -> OrderOfKinds:
    """The orders of the manifest in force, by the listing that the store keeps of it; none where there is none."""
    from bundlekeeper.planning.fleet.version_scale import orders_of
    from bundlekeeper.store.verifying.expected import kept

    listing, _ = kept(session.store, session.admitted)
    if listing is not None:
        return listing.orders
    return orders_of(session.manifest) if session.manifest is not None else {}  # or says what is wrong with it


def _images_listed(session: Session) -> set[tuple[str, str, str]]:
    """Kind, model and version of every image that the manifest in force lists."""
    bundles = session.manifest.bundle if session.manifest is not None else ()
    return {(i.kind, model, i.version) for bundle in bundles for i in bundle.images for model in i.models}


def _stored(session: Session) -> list[StoredBundle]:
    return session.database.stored() if session.database is not None else []


def _bundles(session: Session, text: str) -> list[BundleOf]:
    """The bundles `family/version`, one of each variant, or the file of that name; with images where they are known.

    One that is neither in the store nor in the manifest in force is known when an event named it. Raises InputError.
    """
    from difflib import get_close_matches

    from bundlekeeper.ledger.ask.types import BundleOf
    from bundlekeeper.ledger.ask.where import ever_bundle

    stored = _stored(session)
    family, slash, version = text.partition("/")
    held = [_bundle_of(bundle) for bundle in stored if (family, version) == (bundle.family, bundle.version)]
    if held:
        return held
    if slash and ever_bundle(session.ledger, family, version):  # without the manifest, which takes long to read
        return [BundleOf(family, version)]
    listed = session.manifest.bundle if session.manifest is not None else ()
    named = [_bundle_of(bundle, sha256=bundle.sha256) for bundle in stored if text == bundle.name]
    named += [_bundle_of(bundle, sha256=bundle.sha256) for bundle in listed if text == bundle.file]
    if named:
        return named[:1]
    stated = [_bundle_of(bundle) for bundle in listed if (family, version) == (bundle.family, bundle.version)]
    if stated:
        return stated
    orders = known_versions(session)
    if orders is not None:
        scale = orders.manifest_index.scale(None)
        texts = {bundle.version for bundle in stored if bundle.family == family}
        texts |= {bundle.version for bundle in listed if bundle.family == family}
        equals = sorted(text for text in texts if scale.same(text, version))
        if equals:
            return [found for equal in equals for found in _bundles(session, f"{family}/{equal}")]
    known = [f"{bundle.family}/{bundle.version}" for bundle in stored] + [bundle.name for bundle in stored]
    known += [f"{bundle.family}/{bundle.version}" for bundle in listed]
    near = [name for name in known if slash and family and name.startswith(family) and name.endswith(f"/{version}")]
    near += get_close_matches(text, known, n=1)
    hint = f"did you mean {near[0]}?" if near else "write family/version, or the name of a file in the store"
    message = f"there is no bundle {text} in the store or in the manifest in force, and none was ever recorded"
    raise InputError(message, hint=hint)


def _bundle_of(bundle: StoredBundle | Bundle, *, sha256: str = "") -> BundleOf:
    from bundlekeeper.ledger.ask.types import BundleOf, ImageOf

    images = tuple(ImageOf(image.kind, tuple(image.models), image.version) for image in bundle.images)
    return BundleOf(bundle.family, bundle.version, images, sha256)


def _withdrawn(session: Session) -> tuple[BundleOf, ...]:
    from bundlekeeper.store.contents.withdrawals import withdrawn_since

    bundles: list[StoredBundle | Bundle] = [*_stored(session)]
    if _may_withdraw(session) and session.manifest is not None:
        newer, _ = withdrawn_since(session.store.fd, session.admitted, session.manifest.sequence)
        bundles += [*newer, *session.manifest.bundle]
    withdrawn = (_bundle_of(bundle) for bundle in bundles if bundle.lifecycle == "withdrawn")
    return tuple({(bundle.family, bundle.version): bundle for bundle in withdrawn}.values())


def _may_withdraw(session: Session) -> bool:
    """False where the listing that the store keeps of its newest manifest withdraws nothing: it need not be parsed."""
    from bundlekeeper.store.verifying.expected import kept

    if not session.admitted or session.admitted[-1].sequence < max(known.sequence for known in session.admitted):
        return True
    listing, _ = kept(session.store, session.admitted)
    return listing is None or any(bundle.lifecycle == "withdrawn" for bundle in listing.bundles)


def doubts(
    ledger: Ledger, on: date | datetime | None, known: date | datetime | None, zone: str, clock: datetime
) -> list[Finding]:
    """Findings that make an answer doubtful: the day that is asked about is still to come, or events are dated beyond
    the clock.

    `clock` is the time now, aware. An answer about a day that is over is never doubtful. Raises InputError for an
    unknown zone; DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.formats import moments
    from bundlekeeper.ledger.ask.future_events import ahead

    limit = moments.at(clock + moments.AHEAD).at_us
    found = []
    for option, day in (("--on", on), ("--known", known)):
        if day is not None and moments.moment(day, zone).at_us > limit:
            message = f"{day} is still to come: this machine's clock has {clock.date()}, and nothing later is known"
            found.append(finding("clock-doubtful", option, message, "check the year", Level.NOTE))
    asked = on if on is not None else known
    beyond = ahead(ledger, clock) if asked is None or moments.moment(asked, zone).at_us > limit else None
    if beyond is not None:
        so = "they do not count here" if asked is None else "they count here up to the day that is asked about"
        found.append(beyond.doubt(so))
    return found


def gone_since(ledger: Ledger, component: str) -> str:
    """When it was last recorded as gone, to the second; "?" where no entry of its own says so.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.ledger.ask.where import history
    from bundlekeeper.ledger.event.events import EventKind

    gone = [e.event for e in history(ledger, component) if e.event.what is EventKind.GONE and not e.void]
    return re.sub(r"\.[0-9]+", "", gone[-1].at.text()) if gone else "?"


def back_again(ledger: Ledger, answers: Sequence[WhereAnswer]) -> list[Finding]:
    """One warning for the components that were gone and of which something new was recorded."""
    if not answers:
        return []
    first = answers[0].component
    others = f", {len(answers) - 1} others like it" if len(answers) > 1 else ""
    message = f"{first} was removed on {gone_since(ledger, first)}{others}: is it back, and where?"
    hint = "bundlekeeper inventory load records where it is; bundlekeeper ledger undo --last takes this back"
    return [finding("was-removed", some([answer.component for answer in answers], 3), message, hint)]
