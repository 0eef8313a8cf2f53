"""From what the user says to events: who is meant, what is refused, what is recorded. The work behind `recording`."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from bundlekeeper.cli.options import now, store_root
from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Level
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.open import open_book, open_store, own_kinds, selector_of
from bundlekeeper.jobs.recording.who import says_who
from bundlekeeper.model.record_rules import (
    RecordChoice,
    RecordedBundle,
    RecordedComponent,
    RecordedImage,
    activating,
    staging,
)

if TYPE_CHECKING:
    from bundlekeeper.formats.moments import Moment
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.ledger.event.events import Event
    from bundlekeeper.ledger.record.ledger import Ledger, LedgerEntry
    from bundlekeeper.store.contents.store import Store

_FILE_LIMIT = 16 * 1024 * 1024
_MAX_TOLD = 50  # rows that are told of one file
_WHAT = {"stage": "staged", "activate": "activated", "observe": "observed"}


@dataclass(frozen=True, slots=True)
class Places:
    """Which parts are meant."""

    name: str | None = None
    site: str = ""
    domain: str = ""
    chassis: str = ""
    slot: str = ""
    kind: str = ""
    model: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is recorded of them."""

    verb: str
    bundle: str = ""
    version: str = ""
    bank: str = ""
    active: str | None = None
    pending: str | None = None
    spare: str | None = None


@dataclass(frozen=True, slots=True)
class RecordSaid:
    """When, on whose word, and all that goes with it."""

    at: str | None = None
    zone: str = ""
    says: str | None = None
    by: str = ""
    approved_by: str = ""
    change: str = ""
    route: str = ""
    proof: str = "none"
    before: list[str] | None = None
    after: list[str] | None = None
    deviations: str = ""
    note: str = ""
    anyway: str = ""


_T = TypeVar("_T", Asked, Places, RecordSaid)


@dataclass(slots=True)
class _Work:
    """One run: the open store and ledger, and what was found."""

    store: Store
    book: Ledger
    events: list[Event] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    refusals: list[tuple[str, str]] = field(default_factory=list)  # of which part, why
    bundles: dict[str, RecordedBundle] = field(default_factory=dict)
    zones: dict[str, str] = field(default_factory=dict)
    methods: Mapping[str, str] | None = None


def record(
    asked: Asked, places: Places, said: RecordSaid, *, file: str | None, dry_run: bool, store: Path | None, json: bool
) -> int:
    """Record one statement about one or many parts, all of it or nothing; returns the exit status.

    Raises InputError for what cannot be understood, RefusedError for what contradicts what is known.
    """
    from bundlekeeper.ledger.ask.future_events import ahead

    if said.anyway and not said.anyway.strip():
        raise InputError("--anyway needs a reason", hint="say why in words; it is recorded with the event")
    with ExitStack() as stack:
        opened = open_store(store_root(store), stack, write=True)
        book = open_book(opened, stack, write=True)
        work = _Work(opened, book)
        rows, wrong = _rows(file, asked, places, said)
        for where, one, at, word in rows:
            try:
                _judge(work, one, at, word)
            except InputError as error:
                if not where:
                    raise
                wrong.append(f"{where}: {error.says}" + (f" ({error.hint})" if error.hint else ""))
        if wrong:
            raise _wrong_rows(wrong, work.refusals, file or "")
        if work.refusals:
            says = f"{len(work.refusals)} of {len(work.events)} cannot be: {_by_reason(work.refusals)}"
            hint = 'look again; if it is so all the same: --anyway "why" (recorded)'
            raise RefusedError(f"refused, nothing was recorded: {says}", hint=hint)
        recorded = None if dry_run else book.record(work.events, now(), arrange=True)
        beyond = ahead(book, now())
    found = [] if beyond is None else [replace(beyond.doubt(), level=Level.NOTE)]  # what was recorded is recorded
    ids = [event.id() for event in work.events]
    if json:
        told = [{"id": i, "says": line} for i, line in zip(recorded.ids if recorded else ids, work.lines, strict=True)]
        head = recorded.head.digest if recorded else None
        output.envelope(asked.verb, found, {"dry_run": dry_run, "events": told, "head": head})
        return 0
    for line in work.lines:
        output.line(f"{'would record' if dry_run else 'recorded'}: {line}")
    if recorded:
        known = f", {recorded.known} known before" if recorded.known else ""
        output.line(f"{counted(recorded.new, 'event')} recorded{known}; ledger head {recorded.head.digest}")
        output.findings_aside(found)
        output.aside("next: bundlekeeper where" + (f" {places.name}" if places.name else ""))
    return 0


def _wrong_rows(wrong: Sequence[str], refusals: Sequence[tuple[str, str]], file: str) -> InputError:
    """Everything that is wrong with the rows of a file, and what would be refused besides, as one error."""
    says = "; ".join(wrong[:_MAX_TOLD])
    if len(wrong) > _MAX_TOLD:
        says += f"; and {len(wrong) - _MAX_TOLD} more"
    if refusals:
        says += f"; besides, {len(refusals)} would be refused: {_by_reason(refusals)}"
    return InputError(f"nothing was recorded: {says}", where=file, hint="mend what is named and give the file again")


def _by_reason(refusals: Sequence[tuple[str, str]]) -> str:
    """Why parts are refused, each reason once with the first of its parts."""
    parts: dict[str, list[str]] = {}
    for part, why in refusals:
        parts.setdefault(why, []).append(part)
    told = [f"{some(names, 3)}: {why}" for why, names in list(parts.items())[:_MAX_TOLD]]
    return "; ".join(told) + (f"; and {len(parts) - _MAX_TOLD} more reasons" if len(parts) > _MAX_TOLD else "")


_Row = tuple[str, Asked, Places, RecordSaid]


def _rows(file: str | None, asked: Asked, places: Places, said: RecordSaid) -> tuple[list[_Row], list[str]]:
    """One statement, or one for each row of the file, which overrides the options; and what is wrong with other rows.

    Raises InputError where no part is named, and for a file whose titles cannot be read.
    """
    if file is None:
        if places == Places():
            raise InputError("no part is named", hint="a serial, a place, --site/--domain/--kind/…, or --file")
        return [("", asked, places, said)], []
    data = read_bounded(file, _FILE_LIMIT, "the file")
    try:
        table = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"not a CSV file: {error}", where=file, hint="UTF-8, commas, a title row") from error
    if not table:
        raise InputError("the file is empty", where=file)
    titles = [title.strip().replace("-", "_") for title in table[0]]
    keys = {f.name for cls in (Asked, Places, RecordSaid) for f in fields(cls)} - {"verb"}
    strange = [f"{file}:1: column {title!r} is not known" for title in titles if title not in keys]
    strange += [f"{file}:1: two columns are called {t!r}" for n, t in enumerate(titles) if t in titles[:n]]
    rows: list[_Row] = []
    wrong: list[str] = []
    for number, row in enumerate(table[1:], 2):
        if row and len(row) != len(titles):
            wrong.append(f"{file}:{number}: {len(row)} cells, {len(titles)} due")
        elif row and not strange:
            given: dict[str, Any] = {k: c.strip() for k, c in zip(titles, row, strict=True) if c.strip()}
            given.update({k: given[k].split(";") for k in ("before", "after") if k in given})
            rows.append((f"{file}:{number}", _with(asked, given), _with(places, given), _with(said, given)))
    if strange:
        says = "; ".join([*strange, *wrong][:_MAX_TOLD])
        raise InputError(says, where=file, hint=f"columns: {', '.join(sorted(keys))}")
    return rows, wrong


def _with(base: _T, given: Mapping[str, Any]) -> _T:
    names = {f.name for f in fields(base)}
    return replace(base, **{k: v for k, v in given.items() if k in names})


def _judge(work: _Work, asked: Asked, places: Places, said: RecordSaid) -> None:
    """Turn one statement into events and refusals. Raises InputError."""
    from bundlekeeper.ledger.ask import where as questions

    selector = selector_of(
        work.store, work.book, places.name, site=places.site, domain=places.domain, chassis=places.chassis,
        slot=places.slot, kind=places.kind, model=places.model,
    )  # fmt: skip
    answers = questions.where(work.book, selector, clock=now())
    if not answers:
        raise _nobody(work.book)
    bundle = _bundle(work, asked.bundle) if asked.bundle else None
    for answer in _served(answers, bundle):
        _one(work, asked, said, answer, bundle)


def _nobody(book: Ledger) -> InputError:
    """Why no part is meant: there is none, or all that is known of any is still to come by this machine's clock."""
    from bundlekeeper.ledger.ask.future_events import ahead

    beyond = ahead(book, now())
    says = "no part that is known matches"
    if beyond is None:
        return InputError(says, hint="bundlekeeper where shows what is known")
    found = beyond.doubt("by that clock it is not known yet")
    return InputError(f"{says}: {found.says}", hint=found.hint, problems=[found])


def _served(answers: Sequence[WhereAnswer], bundle: RecordedBundle | None) -> list[WhereAnswer]:
    """The parts that are meant. Of many, only those that the bundle has an image for; the others are told.

    One part alone is meant as it is, so that a wrong image for it is refused and not passed over.
    """
    if bundle is None or not bundle.images or len(answers) == 1:
        return list(answers)
    fits = {(i.kind, model) for i in bundle.images for model in i.models}
    served = [a for a in answers if (a.kind, a.model) in fits]
    for kind, model in sorted({(a.kind, a.model) for a in answers} - fits):
        count = sum((a.kind, a.model) == (kind, model) for a in answers)
        output.aside(f"passed over: {count} {kind} of model {model or '?'}: the bundle has no image for them")
    if not served:
        raise InputError("the bundle has no image for any of these parts", hint="bundlekeeper held --json lists images")
    return served


def _one(work: _Work, asked: Asked, said: RecordSaid, answer: WhereAnswer, bundle: RecordedBundle | None) -> None:
    from bundlekeeper.ledger.event.events import Event, EventKind, ProofKind, Seen

    part = _part(work, answer)
    common = Event(
        what=EventKind(_WHAT[asked.verb]), at=_moment(work, said, answer), says=says_who(said.says), by=said.by,
        approved_by=said.approved_by, change=said.change, route=said.route, proof=_proof(said.proof),
        component=answer.component, kind=answer.kind, model=answer.model, parent=answer.parent, place=answer.place,
        method=part.method, before=_readings(said.before, "--before"), after=_readings(said.after, "--after"),
        deviations=said.deviations, note=said.note,
    )  # fmt: skip
    if asked.verb == "observe":
        seen = Seen(_read(asked.active), _read(asked.pending), _read(asked.spare))
        if not seen:
            raise InputError("nothing was observed", hint="--active, --pending or --spare")
        work.events.append(replace(common, seen=seen, proof=common.proof or ProofKind.NONE))
        told = ", ".join(
            f"{bank} {getattr(seen, bank) or 'none'}"
            for bank in ("active", "pending", "spare")
            if getattr(seen, bank) is not None
        )
        work.lines.append(f"{part.component} ({part.place}): {told}")
        return
    choice = (
        staging(part, bundle, asked.version, asked.bank)
        if asked.verb == "stage"
        else activating(part, bundle, asked.version)
    )
    _keep(work, common, choice, bundle, said.anyway)


def _read(text: str | None) -> str | None:
    """What an option says was read: nothing said, none (`-`), or a version."""
    return "" if text == "-" else text


def _keep(work: _Work, common: Event, choice: RecordChoice, bundle: RecordedBundle | None, anyway: str) -> None:
    part = choice.part
    if choice.refusals and not anyway:
        work.refusals.append((f"{part.component} ({part.place})", ", ".join(choice.refusals)))
    if not choice.version:
        work.events.append(common)  # counted; it cannot be recorded whatever the reason
        if anyway:
            raise InputError(f"{part.component}: {choice.refusals[-1]}", hint="--anyway needs to know which image")
        return
    event = replace(
        common,
        version=choice.version,
        bank=choice.bank,
        family=bundle.family if bundle else "",
        bundle=bundle.version if bundle else "",
        sha256=bundle.sha256 if bundle else "",
        anyway=f"{anyway} (against: {', '.join(choice.refusals)})" if choice.refusals and anyway else "",
    )
    work.events.append(event)
    bank = f" in {choice.bank}" if choice.bank else ""
    against = f"; anyway: {anyway}" if event.anyway else ""
    work.lines.append(f"{part.component} ({part.place}): {event.what.value} {choice.version}{bank}{against}")


def _part(work: _Work, answer: WhereAnswer) -> RecordedComponent:
    from bundlekeeper.ledger.event.events import EventKind

    if work.methods is None:
        from bundlekeeper.model.vocabulary import KINDS

        overrides = {kind: rule.method for kind, rule in own_kinds(work.store).items() if rule.method}
        work.methods = {**{kind: facts.method for kind, facts in KINDS.items()}, **overrides}

    def text(bank: Any) -> str | None:  # noqa: ANN401 - an InBank or None
        return None if bank is None else bank.version

    held = tuple(each.version for each in answer.held)
    place = answer.place.path() if answer.place else "?"
    method = work.methods.get(answer.kind, "")
    staged = answer.spare is not None and answer.spare.since.what is EventKind.STAGED
    pending, spare = text(answer.pending), text(answer.spare)
    return RecordedComponent(answer.component, answer.kind, answer.model, method, place, pending, spare, held, staged)


def _bundle(work: _Work, name: str) -> RecordedBundle:
    """The bundle of that name as this store holds it; one that is not held is known only by its name."""
    if name not in work.bundles:
        from difflib import get_close_matches

        from bundlekeeper.store.contents.right_now import holdings

        family, slash, version = name.partition("/")
        found = RecordedBundle(family, version, "", (), held=False, proven=False)
        rows = []
        if work.store.catalogue_path.exists():
            with work.store.catalogue(write=False) as catalogue:
                rows = holdings(work.store, catalogue, now())
        for row in rows:
            held = row.held
            if name == held.name or (family, version) == (held.family, held.version):
                images = [RecordedImage(i.kind, i.models, i.version) for i in held.images]
                found = RecordedBundle(
                    held.family,
                    held.version,
                    held.sha256,
                    images,
                    row.state != "missing",
                    row.state == "proven",
                    held.standing,
                )
        if not found.held:
            known = [f"{row.held.family}/{row.held.version}" for row in rows] + [row.held.name for row in rows]
            near = next(iter(get_close_matches(name, known, n=1, cutoff=0.8)), "")
            if not (slash and family and version):
                hint = f"did you mean {near}?" if near else "write family/version, or the name of a held file"
                raise InputError(f"no such bundle: {name}", hint=hint)
            found = replace(found, near=near)
        work.bundles[name] = found
    return work.bundles[name]


def _moment(work: _Work, said: RecordSaid, answer: WhereAnswer) -> Moment:
    """When it happened, in the zone that was said, else the site's as the newest reading told it, else UTC."""
    from bundlekeeper.formats import moments
    from bundlekeeper.ledger.ask.as_inventory import readings

    if not work.zones:
        work.zones[""] = "UTC"
        for reading in reversed(readings(work.book)):
            work.zones.update({site: reading.at.zone for site, _, _ in reading.scope})
    site = answer.place.site if answer.place else ""
    zone = said.zone or work.zones.get(site or "", "UTC")
    if not said.at:
        return moments.at(now(), zone)
    return moments.not_ahead(moments.moment(moments.parse(said.at), zone), now())


def _proof(text: str) -> Any:  # noqa: ANN401 - a ProofKind, imported late
    from bundlekeeper.ledger.event.events import ProofKind

    try:
        return ProofKind(text)
    except ValueError as error:
        raise InputError(f"--proof {text}: no such proof", hint=f"one of {', '.join(ProofKind)}") from error


def _readings(pairs: Sequence[str] | None, option: str) -> tuple[tuple[str, str], ...]:
    found: dict[str, str] = {}
    for pair in pairs or ():
        key, equals, value = pair.partition("=")
        if not equals or not key.strip() or key.strip() in found:
            raise InputError(f"{option} {pair}: not KEY=VALUE, or given twice", hint="--before paths=4")
        found[key.strip()] = value.strip()
    return tuple(sorted(found.items()))


def _corrected_already(book: Ledger, entry: LedgerEntry) -> RefusedError:
    """Who took the event back, or the reading that it belongs to, and why."""
    names = {entry.id, entry.event.reading} - {""}
    by = next(e for e in book.entries() if e.event.corrects in names and not e.void)
    what = "" if by.event.corrects == entry.id else "with its whole reading, "
    says = f"it was corrected already: {what}by {by.event.says}, {by.event.at.text()}: {by.event.why}"
    hint = f"if that was wrong: bundlekeeper correct {by.id[:12]} --why TEXT makes it count again"
    return RefusedError(f"refused, nothing was recorded: {says}", hint=hint)


def correct(event: str, *, why: str, says: str | None, store: Path | None, json: bool) -> int:
    """Record that an event does not count; returns the exit status.

    Raises InputError for an unknown event, RefusedError for one that does not count already.
    """
    from bundlekeeper.formats import moments
    from bundlekeeper.ledger.event.events import Event, EventKind

    with ExitStack() as stack:
        opened = open_store(store_root(store), stack, write=True)
        book = open_book(opened, stack, write=True)
        found = [e for e in book.entries() if e.id.startswith(event.lower())] if len(event) >= 8 else []
        if len(found) != 1:
            says_what = "several events begin" if found else "no event begins"
            raise InputError(
                f"{says_what} with {event!r}", hint="give the id, or at least 8 digits of it that are unique"
            )
        entry = found[0]
        if entry.void:
            raise _corrected_already(book, entry)
        correction = Event(
            what=EventKind.CORRECTED, at=moments.at(now()), says=says_who(says), corrects=entry.id, why=why,
            component=entry.event.component, kind=entry.event.kind,
        )  # fmt: skip
        recorded = book.record([correction], now(), arrange=True)
    if json:
        output.envelope("correct", [], {"corrected": entry.id, "event": recorded.ids[0], "head": recorded.head.digest})
    else:
        output.line(
            f"corrected: {entry.event.what.value} of {entry.event.component or 'an inventory'}, {entry.event.at.text()}"
        )
        output.line(f"it stays in the ledger and no longer counts: {why}")
        output.line(f"ledger head {recorded.head.digest}")
    return 0
