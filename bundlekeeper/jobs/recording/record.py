"""From a user's statements to events: which components are meant, what is refused, what is recorded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import counted, some, visible
from bundlekeeper.jobs.recording.manifest_doubts import known_versions, of_events
from bundlekeeper.jobs.recording.plan_digest import plan_digest
from bundlekeeper.jobs.recording.selection import insist_on_one_meaning, selector_of
from bundlekeeper.jobs.recording.statements import MAX_SHOWN, Asked, RecordDetails, RecordStatement, statements
from bundlekeeper.jobs.recording.where import back_again
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import Session
from bundlekeeper.jobs.shared.otherwise import otherwise
from bundlekeeper.model.inventory.types import PLACES
from bundlekeeper.model.record_rules import (
    RecordChoice,
    RecordedBundle,
    RecordedComponent,
    RecordedImage,
    activating,
    failing,
    misread,
    staging,
)
from bundlekeeper.model.vocabulary import BANKS

if TYPE_CHECKING:
    from bundlekeeper.formats.moments import Moment
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.ledger.event.events import Event, EventKind
    from bundlekeeper.ledger.record.ledger import Recorded
    from bundlekeeper.store.database.rows import StoredBundle

_UNASKED = object()
_READ_BANKS = ("active", "pending", "spare", "staged")
_READINGS = (*_READ_BANKS, "healthy")
_WHAT = {"stage": "staged", "activate": "activated", "observe": "observed"}


@dataclass(frozen=True, slots=True)
class RecordingDone:
    """What was recorded, or would be where `recorded` is None: the event ids, and each event in words.

    `findings` are about events that do not count in answers as of now.
    """

    verb: str
    ids: tuple[str, ...]
    lines: list[str]
    recorded: Recorded | None
    findings: list[Finding]


@dataclass(slots=True)
class RecordingWork:
    """One run: the open store and ledger, and what was found."""

    session: Session
    events: list[Event] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    refusals: list[tuple[str, str]] = field(default_factory=list)  # component, reason
    bundles: dict[str, RecordedBundle] = field(default_factory=dict)
    zones: dict[str, str] = field(default_factory=dict)
    as_known: int = 0  # components of which an exported table states nothing new
    back: list[WhereAnswer] = field(default_factory=list)  # gone before
    observed: dict[tuple[str, str | None], str] = field(default_factory=dict)  # component and time -> row of the file
    passed_over: set[str] = field(default_factory=set)  # keys that no recording is about
    methods: Mapping[str, str] | None = None


def record(session: Session, statement: RecordStatement, *, file: str | None, dry_run: bool) -> RecordingDone:
    """Record one statement about one or many components, or one for each row of a file: all of it or nothing.

    Raises InputError for what cannot be understood, RefusedError for what contradicts what is known.
    """
    from bundlekeeper.ledger.ask.future_events import ahead

    anyway = statement.details.anyway
    if anyway and not anyway.strip():
        raise InputError("--anyway needs a reason", hint='--anyway "the reason"; it is recorded with the event')
    ledger = session.ledger
    work = RecordingWork(session)
    rows, wrong = statements(file, statement)
    digests = {word: plan_digest(session, word) for word in {row.details.plan for row in rows}}
    rows = [row._replace(details=replace(row.details, plan=digests[row.details.plan])) for row in rows]
    for row in rows:
        try:
            _to_events(work, row)
        except InputError as error:
            if not row.where:
                raise
            wrong.append(f"{row.where}: {error.whole}" + (f" ({error.hint})" if error.hint else ""))
    if wrong:
        raise _wrong_rows(wrong, work.refusals, file or "")
    if work.refusals:
        message = f"refused, nothing was recorded: {len(work.refusals)} of {len(work.events)} contradict what is known"
        hint = 'check what was done; if it is true: --anyway "the reason", which is recorded'
        raise RefusedError(message, hint=hint, evidence=by_reason(work.refusals))
    if work.passed_over:
        session.tell(f"note: not recorded by this command: {', '.join(sorted(work.passed_over))}")
    if work.as_known:
        session.tell(f"note: {counted(work.as_known, 'component')} as the ledger has it already: nothing new")
    found = of_events(session, work.events, {bundle.sha256: bundle.variant for bundle in work.bundles.values()})
    found += back_again(ledger, work.back)
    recorded = None if dry_run else ledger.record(work.events, session.now(), arrange=True)
    found += otherwise(recorded)
    beyond = ahead(ledger, session.now())
    found += [] if beyond is None else [replace(beyond.doubt(), level=Level.NOTE)]  # a note: it was recorded
    ids = recorded.ids if recorded else tuple(event.id() for event in work.events)
    return RecordingDone(statement.asked.verb, ids, work.lines, recorded, found)


def _wrong_rows(wrong: Sequence[str], refusals: Sequence[tuple[str, str]], file: str) -> InputError:
    """Everything that is wrong with the rows of a file, and what would be refused as well, as one error."""
    shown = list(wrong[:MAX_SHOWN])
    if len(wrong) > MAX_SHOWN:
        shown.append(f"and {len(wrong) - MAX_SHOWN} more")
    if refusals:
        shown.append(f"{len(refusals)} others would be refused: {'; '.join(by_reason(refusals))}")
    return InputError("nothing was recorded", where=file, hint="fix the rows that are named, then try again",
                      evidence=shown)  # fmt: skip


def by_reason(refusals: Sequence[tuple[str, str]]) -> list[str]:
    """Why components are refused, each reason once with the first of its components."""
    components: dict[str, list[str]] = {}
    for component, reason in refusals:
        components.setdefault(reason, []).append(component)
    shown = [f"{some(names, 3)}: {reason}" for reason, names in list(components.items())[:MAX_SHOWN]]
    return shown + ([f"and {len(components) - MAX_SHOWN} more reasons"] if len(components) > MAX_SHOWN else [])


def _to_events(work: RecordingWork, row: RecordStatement) -> None:
    """Turn one statement into events and refusals. Raises InputError."""
    from bundlekeeper.ledger.ask import where as questions

    session = work.session
    row = row._replace(asked=_with_versions(row.asked))
    if row.asked.bank and row.asked.bank not in BANKS[1:]:
        raise InputError(f"there is no bank {visible(row.asked.bank)}", hint=f"the banks are {', '.join(BANKS[1:])}")
    selector = selector_of(session, row.places)
    answers = questions.where(session.ledger, selector, clock=session.now())
    if not answers:
        raise no_match(session)
    insist_on_one_meaning(session, row.places, selector, answers)
    bundle = recorded_bundle(work, row.asked.bundle) if row.asked.bundle else None
    for answer in _concerned(work, row, answers, bundle):
        _one(work, row, answer, bundle)


def no_match(session: Session) -> InputError:
    """Why no component matches: there is none, or all events of it are dated beyond this machine's clock."""
    from bundlekeeper.ledger.ask.future_events import ahead

    beyond = ahead(session.ledger, session.now())
    message = "no known component matches"
    if beyond is None:
        return InputError(message, hint="bundlekeeper where shows what is known")
    found = beyond.doubt("they do not count yet")
    return InputError(f"{message}: {found.message}", hint=found.hint, problems=[found])


def _concerned(
    work: RecordingWork, row: RecordStatement, answers: Sequence[WhereAnswer], bundle: RecordedBundle | None
) -> Sequence[WhereAnswer]:
    """The components that a statement is about; what is passed over is reported. Raises InputError for none."""
    from bundlekeeper.jobs.recording import passed_over

    if len(answers) == 1:
        return answers
    asked, tell = row.asked, work.session.tell
    if bundle is not None:
        answers = passed_over.with_image(answers, bundle, tell)
    if asked.verb == "stage":
        return passed_over.with_a_bank(answers, lambda kind: _method(work, kind), tell)
    versions = [version for bank in _READ_BANKS if (version := _read(getattr(asked, bank)))]
    known = known_versions(work.session) if versions else None
    return answers if known is None else passed_over.that_can_run(answers, versions, row.places.kind, known, tell)


def _one(work: RecordingWork, row: RecordStatement, answer: WhereAnswer, bundle: RecordedBundle | None) -> None:
    from bundlekeeper.ledger.event.events import Event

    asked, details = row.asked, row.details
    component, usual = recorded_component(work, answer), work.session.config.reported_by
    common = Event(
        what=_kind_of(asked), at=moment_of(work, details, answer),
        reported_by=reporter(details.reported_by, usual),
        done_by=details.done_by, approved_by=details.approved_by, change=details.change, plan=details.plan,
        evidence=_evidence(details.evidence),
        component=answer.component, kind=answer.kind, model=answer.model, parent=answer.parent, place=answer.place,
        method=component.method, before=_readings(details.before, "--before"),
        after=_readings(details.after, "--after"), deviations=details.deviations, note=details.note,
    )  # fmt: skip
    if asked.verb == "observe":
        _insist_on_described(work, row.described, answer)
        news: dict[str, Any] = {key: _new(row, answer, key) for key in _READINGS}
        asked = replace(asked, **news)
        wrong = misread(component, asked.pending, asked.spare)
        earlier = work.observed.setdefault((answer.component, details.at), row.where)
        if earlier != row.where:
            wrong = f"it is in {earlier} already, at the same time"
        if wrong:
            raise InputError(f"{answer.component}: {wrong}", hint="observe records what was read, once for each time")
        if row.exported and common.what == _WHAT["observe"] and all(getattr(asked, key) is None for key in _READINGS):
            work.as_known += 1
            return
        event, message = _observed(asked, common)
        if not answer.present and event.what.value == _WHAT["observe"]:
            work.back.append(answer)
        work.events.append(event)
        work.lines.append(f"{component.component} ({component.place}): {message}")
        return
    if asked.verb == "stage":
        choice = staging(component, bundle, asked.version, asked.bank)
    else:
        choice = (activating if asked.failed is None else failing)(component, bundle, asked.version)
    add_choice(work, common, choice, bundle, asked.failed, details.anyway)


def _kind_of(asked: Asked) -> EventKind:
    """What kind of event states it. Raises InputError for words that do not go together, or an empty reason."""
    from bundlekeeper.ledger.event.events import EventKind

    if asked.failed is not None:
        if asked.failed.strip().casefold() in {"", "-", "yes", "no", "true", "false"}:
            hint = '--failed "why it failed", which is recorded; nothing where it did not fail'
            raise InputError("--failed needs a reason, not yes or no", hint=hint)
        return EventKind.FAILED
    readings = any(getattr(asked, key) is not None for key in _READINGS)
    is_removed, is_silent = bool(_yes(asked.removed, "--removed")), bool(_yes(asked.no_answer, "--no-answer"))
    if (readings, is_removed, is_silent).count(True) > 1:
        hint = "record what was read and what was not by itself"
        raise InputError("a component that was removed, or did not answer, was not read", hint=hint)
    if is_silent:
        return EventKind.NO_ANSWER
    return EventKind.GONE if is_removed else EventKind(_WHAT[asked.verb])


def _observed(asked: Asked, common: Event) -> tuple[Event, str]:
    """The event of what was observed, and the same in words. Raises InputError where nothing was."""
    from bundlekeeper.ledger.event.events import EventKind, Seen

    if common.what is EventKind.GONE:
        return common, "removed: no longer there"
    if common.what is EventKind.NO_ANSWER:
        return replace(common, reason=common.note, note=""), f"did not answer{': ' if common.note else ''}{common.note}"
    healthy = _yes(asked.healthy, "--healthy")
    seen = Seen(
        _read(asked.active), _read(asked.pending), _read(asked.spare), staged=_read(asked.staged), healthy=healthy
    )
    if not seen:
        hint = "--active, --staged, --pending, --spare, --healthy, --no-answer, --removed"
        raise InputError("nothing was observed", hint=hint)
    readings = [f"{bank} {getattr(seen, bank) or 'none'}" for bank in _READ_BANKS if getattr(seen, bank) is not None]
    if healthy is not None:
        readings.append("healthy" if healthy else "not healthy")
    return replace(common, seen=seen), ", ".join(readings)


def _with_versions(asked: Asked) -> Asked:
    """The same, each version as an inventory would have it; "" for none. Raises InputError for what is no version."""
    from bundlekeeper.model.inventory.cells import BadCellError, version

    found: dict[str, Any] = {}
    for key in ("version", *_READ_BANKS):
        given = getattr(asked, key)
        if not given and (key == "version" or given is None):
            continue
        try:
            found[key] = version(given)
        except BadCellError as error:
            raise InputError(f"--{key} {error.message}", hint=error.hint) from error
        if found[key] is None or (key == "version" and not found[key]):
            raise InputError(f"--{key} {visible(given)!r} is no version", hint="write it as it is published")
    return replace(asked, **found)


def _yes(text: str | None, option: str) -> bool | None:
    """Yes or no as an option or a file has it, None where it is not given. Raises InputError."""
    from bundlekeeper.model.inventory.cells import BadCellError, flag

    try:
        return flag(text)
    except BadCellError as error:
        raise InputError(f"{option} {error.message}", hint=error.hint) from error


def _insist_on_described(work: RecordingWork, described: Mapping[str, str], answer: WhereAnswer) -> None:
    """Raise InputError where a row describes its component otherwise than the ledger does."""
    differing = []
    for key, cell in described.items():
        known: Any = getattr(answer.place if key in PLACES else answer, key, _UNASKED)
        if key == "serial":
            continue
        if known is _UNASKED:
            work.passed_over.add(key)
            continue
        if isinstance(known, tuple):
            texts = known if not known or isinstance(known[0], str) else tuple(file.version for file in known)
            same = set(cell.replace(",", "|").replace(";", "|").split("|")) - {"-"} == set(texts)
        else:
            same = _read(cell) == (known or "")
        if not same:
            differing.append(f"{key} is {cell}, and {known if isinstance(known, str) and known else 'not that'} here")
    if differing:
        message = f"{answer.component}: {'; '.join(differing)}: observe records only versions"
        raise InputError(message, hint="bundlekeeper inventory load takes all of it")


def _new(row: RecordStatement, answer: WhereAnswer, key: str) -> str | None:
    """What a statement reads, as given; None where it does not say, or only has what an export had from the ledger."""
    text: str | None = getattr(row.asked, key)
    known: Any = getattr(answer, key)
    if not row.exported or text is None or known is None:
        return text
    same = _yes(text, "healthy") == known if isinstance(known, bool) else _read(text) == known.version
    return None if same else text


def _read(text: str | None) -> str | None:
    """The reading that an option gives: None for not read, the empty text for none (`-`), or a version."""
    return "" if text == "-" else text


def add_choice(
    work: RecordingWork,
    common: Event,
    choice: RecordChoice,
    bundle: RecordedBundle | None,
    failed: str | None,
    anyway: str,
) -> None:
    """Add the event of what was chosen, with what contradicts it. Raises InputError where no image is named."""
    component = choice.component
    if choice.refusals and not anyway:
        work.refusals.append((f"{component.component} ({component.place})", ", ".join(choice.refusals)))
    if not choice.version and failed is None:
        work.events.append(common)  # for the count only; without a version it cannot be recorded
        if anyway:
            hint = "name the image with --bundle or --version; --anyway alone is not enough"
            raise InputError(f"{component.component}: {choice.refusals[-1]}", hint=hint)
        return
    event = replace(
        common,
        version=choice.version,
        bank=choice.bank,
        family=bundle.family if bundle else "",
        bundle=bundle.version if bundle else "",
        sha256=bundle.sha256 if bundle else "",
        reason=failed or "",
        anyway=f"{anyway} (against: {', '.join(choice.refusals)})" if choice.refusals and anyway else "",
    )
    work.events.append(event)
    bank = f" in {choice.bank}" if choice.bank else ""
    overruled = f"; anyway: {anyway}" if event.anyway else ""
    what = f"{event.what.value} {choice.version}{bank}{', as it was already' if choice.again else ''}"
    if failed is not None:
        what = f"activation{' of ' if choice.version else ''}{choice.version} failed: {failed}"
    work.lines.append(f"{component.component} ({component.place}): {what}{overruled}")


def recorded_component(work: RecordingWork, answer: WhereAnswer) -> RecordedComponent:
    """One component as the rules of recording ask for it."""
    from bundlekeeper.ledger.ask.types import Agreement

    def text(bank: Any) -> str | None:  # noqa: ANN401 - an InBank or None
        return None if bank is None else bank.version

    boot_files = tuple(image.version for image in answer.boot_files)
    place = answer.place.path() if answer.place else "?"
    method = _method(work, answer.kind)
    is_open = answer.agreement in {Agreement.NOT_READ_BACK, Agreement.ONLY_RECORDED}
    activated = text(answer.recorded) if is_open else ""
    is_read = answer.agreement in {Agreement.AGREES, Agreement.DIFFERS, Agreement.ONLY_READ}
    return RecordedComponent(
        answer.component, answer.kind, answer.model, method, place, text(answer.pending), text(answer.spare),
        boot_files, text(answer.staged), activated or "", answer.staged.sha256 if answer.staged else "",
        (text(answer.active) or "") if is_read else "",
    )  # fmt: skip


def _method(work: RecordingWork, kind: str) -> str:
    """How a kind takes its image, by the manifest in force, else by the built-in table; "" is not known."""
    if work.methods is None:
        from bundlekeeper.model.vocabulary import KINDS

        overrides = {kind: rule.method for kind, rule in work.session.own_kinds.items() if rule.method}
        work.methods = {**{kind: facts.method for kind, facts in KINDS.items()}, **overrides}
    return work.methods.get(kind, "")


def recorded_bundle(work: RecordingWork, name: str) -> RecordedBundle:
    """The bundle of that name as this store has it; one that is not in the store is known only by its name.

    Raises InputError for what names no bundle.
    """
    if name not in work.bundles:
        from difflib import get_close_matches

        from bundlekeeper.store.contents.right_now import holdings

        family, slash, version = name.partition("/")
        recorded = RecordedBundle(family, version, "", (), stored=False, verified=False)
        session = work.session
        database = session.database
        rows = holdings(session.store, database, session.now()) if database is not None else []
        _insist_on_one(
            name, [row.stored for row in rows if (family, version) == (row.stored.family, row.stored.version)]
        )
        for row in rows:
            stored = row.stored
            if name == stored.name or (family, version) == (stored.family, stored.version):
                images = [RecordedImage(i.kind, i.models, i.version) for i in stored.images]
                recorded = RecordedBundle(
                    stored.family,
                    stored.version,
                    stored.sha256,
                    images,
                    row.state != "missing",
                    row.state == "verified",
                    stored.lifecycle,
                    variant=stored.variant,
                )
        if not recorded.stored:
            known = [f"{holding.stored.family}/{holding.stored.version}" for holding in rows] + [
                holding.stored.name for holding in rows
            ]
            near = next(iter(get_close_matches(name, known, n=1, cutoff=0.8)), "")
            if not (slash and family and version):
                hint = f"did you mean {near}?" if near else "write family/version, or the name of a file in the store"
                raise InputError(f"there is no bundle {name}", hint=hint)
            recorded = replace(recorded, near=near)
        work.bundles[name] = recorded
    return work.bundles[name]


def _insist_on_one(name: str, bundles: Sequence[StoredBundle]) -> None:
    """Raise InputError where the family and version are those of several bundles: which bytes it was is not known."""
    if len({bundle.sha256 for bundle in bundles}) > 1:
        names = " or ".join(sorted(bundle.name for bundle in bundles))
        raise InputError(f"{name} is {len(bundles)} bundles, each of its own variant", hint=f"name the file: {names}")


def moment_of(work: RecordingWork, details: RecordDetails, answer: WhereAnswer) -> Moment:
    """When it happened, in the zone that was given, else the site's by its newest reading, else the config's."""
    from bundlekeeper.formats import moments
    from bundlekeeper.ledger.ask.as_inventory import readings

    if not work.zones:
        work.zones[""] = work.session.config.zone or "UTC"
        for reading in reversed(readings(work.session.ledger)):
            work.zones.update({site: reading.at.zone for site, _, _ in reading.scope})
    site = answer.place.site if answer.place else ""
    zone = details.zone or work.zones.get(site or "", work.zones[""])
    if not details.at:
        return moments.at(work.session.now(), zone)
    return moments.not_ahead(moments.moment(moments.parse(details.at), zone), work.session.now())


def _evidence(text: str) -> Any:  # noqa: ANN401 - an EvidenceKind, imported late
    from bundlekeeper.ledger.event.events import EvidenceKind

    try:
        return EvidenceKind(text)
    except ValueError as error:
        raise InputError(f"--evidence cannot be {text}", hint=f"one of {', '.join(EvidenceKind)}") from error


def _readings(pairs: Sequence[str] | None, option: str) -> tuple[tuple[str, str], ...]:
    found: dict[str, str] = {}
    for pair in pairs or ():
        key, equals, value = pair.partition("=")
        if not equals or not key.strip() or key.strip() in found:
            raise InputError(f"{option} {pair}: it is not KEY=VALUE, or KEY is given twice", hint=f"{option} paths=4")
        found[key.strip()] = value.strip()
    return tuple(sorted(found.items()))
