"""Where images are: components and their banks, counts of them, or the history of one, now or on any day.

Rules: nothing is computed here that the ledger did not answer; a bundle's images are reported by the store where it holds
the bundle, else by the manifest in force; what makes the moment that is asked about doubtful is reported with the answer.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.jobs.recording.selection import Places, selector_of
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from datetime import date, datetime

    from bundlekeeper.ledger.ask.types import BundleOf, Selector, WhereAnswer, WhereGroup
    from bundlekeeper.ledger.record.ledger import Ledger, LedgerEntry
    from bundlekeeper.model.manifest.types import Bundle
    from bundlekeeper.store.database.rows import StoredBundle


@dataclass(frozen=True, slots=True)
class WhereAsked:
    """Which images are asked for."""

    bundle: str = ""
    version: str = ""
    sha256: str = ""
    withdrawn: bool = False
    bank: str = ""
    gone: bool = False


@dataclass(frozen=True, slots=True)
class WhereTimes:
    """As of which day it is asked and how it was known when, as they were given; `zone` where no inventory told one."""

    on: str | None = None
    known: str | None = None
    zone: str = "UTC"


@dataclass(frozen=True, slots=True)
class WhereFound:
    """One of three: how components stand, counts by `keys`, or everything that was recorded of `component`.

    `possible` is False where nothing can be meant, as nothing is withdrawn.
    """

    times: WhereTimes
    doubts: list[Finding]
    possible: bool = True
    answers: list[WhereAnswer] = field(default_factory=list)
    keys: tuple[str, ...] = ()
    groups: list[WhereGroup] = field(default_factory=list)
    component: str = ""
    entries: list[LedgerEntry] = field(default_factory=list)

    @property
    def contents(self) -> list[dict[str, Any]]:
        """The content of each of `entries`, as it stands in the ledger."""
        from bundlekeeper.ledger.event.events import content

        return [content(entry.event) for entry in self.entries]


def where(
    session: Session, places: Places, wanted: WhereAsked, times: WhereTimes, *, by: str = "", history: bool = False
) -> WhereFound:
    """Ask the ledger; with `by` (keys with commas between them) for counts, with `history` for one component's events.

    Raises InputError for what was never recorded and for a question that cannot be; DamagedError, LockedError,
    RefusedError, UnfinishedError.
    """
    from bundlekeeper.ledger.ask import where as questions

    ledger = session.ledger
    meant = narrowed(session, selector_of(session, places), wanted)
    on, known = time_of(times.on, "--on"), time_of(times.known, "--known")
    doubtful = [] if history else doubts(ledger, on, known, times.zone, session.now())
    told = partial(WhereFound, times, doubtful)
    if meant is None:
        return told(possible=False)
    if history:
        if not meant.component:
            raise InputError("--history is about one component", hint="name it by its serial")
        return told(component=meant.component, entries=questions.history(ledger, meant.component))
    if by:
        keys = tuple(key.strip() for key in by.split(","))
        groups = questions.summary(ledger, keys, meant, on=on, known=known, zone=times.zone, clock=session.now())
        return told(keys=keys, groups=groups)
    return told(answers=questions.where(ledger, meant, on=on, known=known, zone=times.zone, clock=session.now()))


def time_of(text: str | None, option: str) -> date | datetime | None:
    """The day or moment that an option names; None where it is not given. Raises InputError."""
    from bundlekeeper.formats.moments import parse

    if text is None:
        return None
    try:
        return parse(text)
    except InputError as error:
        raise InputError(f"{option}: {error.message}", hint=error.hint) from error


def narrowed(session: Session, selector: Selector, wanted: WhereAsked) -> Selector | None:
    """Join the images that are asked for to the places; None where nothing can be meant, as nothing is withdrawn.

    Raises InputError for a bundle that nobody knows.
    """
    bundles: tuple[BundleOf, ...] = ()
    if wanted.withdrawn:
        bundles = _withdrawn(session)
        if not bundles:
            return None
    elif wanted.bundle:
        bundles = (_bundle(session, wanted.bundle),)
    digest = wanted.sha256.lower()
    if digest and (len(digest) != 64 or set(digest) - set("0123456789abcdef")):
        raise InputError("--sha256 wants 64 hexadecimal digits")
    return replace(selector, bundles=bundles, version=wanted.version, sha256=digest, bank=wanted.bank, gone=wanted.gone)


def _stored(session: Session) -> list[StoredBundle]:
    return session.database.stored() if session.database is not None else []


def _bundle(session: Session, text: str) -> BundleOf:
    """The bundle `family/version`, or the file of that name, with its images where the store knows them.

    One that is neither held nor in the manifest in force is known when an event named it. Raises InputError.
    """
    from difflib import get_close_matches

    from bundlekeeper.ledger.ask.types import BundleOf
    from bundlekeeper.ledger.ask.where import ever_bundle

    stored = _stored(session)
    family, slash, version = text.partition("/")
    for bundle in stored:
        if text == bundle.name or (family, version) == (bundle.family, bundle.version):
            return _bundle_of(bundle)
    if slash and ever_bundle(session.ledger, family, version):
        return BundleOf(family, version)
    listed = session.manifest.bundle if session.manifest is not None else ()
    for stated in listed:
        if text == stated.file or (family, version) == (stated.family, stated.version):
            return _bundle_of(stated)
    known = [f"{bundle.family}/{bundle.version}" for bundle in stored] + [bundle.name for bundle in stored]
    known += [f"{bundle.family}/{bundle.version}" for bundle in listed]
    near = get_close_matches(text, known, n=1)
    hint = f"did you mean {near[0]}?" if near else "write family/version, or the name of a held file"
    raise InputError(f"no such bundle: {text} is not held, in no manifest, and was never recorded", hint=hint)


def _bundle_of(bundle: StoredBundle | Bundle) -> BundleOf:
    from bundlekeeper.ledger.ask.types import BundleOf, ImageOf

    images = tuple(ImageOf(image.kind, tuple(image.models), image.version) for image in bundle.images)
    return BundleOf(bundle.family, bundle.version, images)


def _withdrawn(session: Session) -> tuple[BundleOf, ...]:
    from bundlekeeper.store.contents.withdrawals import withdrawn_since

    told: list[StoredBundle | Bundle] = [*_stored(session)]
    if session.manifest is not None:
        newer, _ = withdrawn_since(session.store.fd, session.admitted, session.manifest.sequence)
        told += [*newer, *session.manifest.bundle]
    withdrawn = (_bundle_of(bundle) for bundle in told if bundle.lifecycle == "withdrawn")
    return tuple({(bundle.family, bundle.version): bundle for bundle in withdrawn}.values())


def doubts(
    ledger: Ledger, on: date | datetime | None, known: date | datetime | None, zone: str, clock: datetime
) -> list[Finding]:
    """What makes the moment that is asked about doubtful: a day still to come, and events dated beyond the clock.

    `clock` is the time now, aware. A day that is over is asked about as it was: nothing is doubtful then. Raises
    InputError for an unknown zone; DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.formats import moments
    from bundlekeeper.ledger.ask.future_events import ahead

    limit = moments.at(clock + moments.AHEAD).at_us
    found = []
    for option, day in (("--on", on), ("--known", known)):
        if day is not None and moments.moment(day, zone).at_us > limit:
            message = f"{day} is still to come: this machine's clock says {clock.date()}, and nothing is known of later"
            found.append(finding("clock-doubtful", option, message, "is it the right year?", Level.NOTE))
    asked = on if on is not None else known
    beyond = ahead(ledger, clock) if asked is None or moments.moment(asked, zone).at_us > limit else None
    if beyond is not None:
        found.append(beyond.doubt("not counted here" if asked is None else "counted here up to the day asked about"))
    return found
