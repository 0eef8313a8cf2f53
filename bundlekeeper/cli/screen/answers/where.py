"""What `where` is asked beyond places, and how its answers are told: table, JSON, CSV, picture, history, counts.

Rules: nothing is computed here that the ledger did not answer; what nobody said is "?" and never an empty cell, what
was read as none is "-"; a CSV cell never begins with what a spreadsheet would run as a formula.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, exit_status, finding
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from datetime import date, datetime

    from bundlekeeper.formats.moments import Moment
    from bundlekeeper.ledger.ask.types import BundleOf, Evidence, InBank, Selector, WhereAnswer, WhereGroup
    from bundlekeeper.ledger.record.ledger import Ledger, LedgerEntry
    from bundlekeeper.model.inventory.types import Place
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import Held

_COLUMNS = (
    "place", "kind", "model", "component", "active", "since", "says", "proof", "record", "pending", "spare", "held",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class WhereWanted:
    """Which images are asked for."""

    bundle: str
    version: str
    sha256: str
    withdrawn: bool
    bank: str
    gone: bool


def narrowed(store: Store, book: Ledger, selector: Selector, wanted: WhereWanted) -> Selector | None:
    """Join the images that are asked for to the places; None where nothing can be meant, as nothing is withdrawn.

    Raises InputError for a bundle that nobody knows.
    """
    bundles: tuple[BundleOf, ...] = ()
    if wanted.withdrawn:
        bundles = _withdrawn(store)
        if not bundles:
            return None
    elif wanted.bundle:
        bundles = (_bundle(store, book, wanted.bundle),)
    digest = wanted.sha256.lower()
    if digest and (len(digest) != 64 or set(digest) - set("0123456789abcdef")):
        raise InputError("--sha256 wants 64 hexadecimal digits")
    return replace(selector, bundles=bundles, version=wanted.version, sha256=digest, bank=wanted.bank, gone=wanted.gone)


def _held(store: Store) -> list[Held]:
    if not store.catalogue_path.exists():
        return []
    with store.catalogue(write=False) as catalogue:
        return catalogue.held()


def _bundle(store: Store, book: Ledger, text: str) -> BundleOf:
    """The bundle `family/version`, or the file of that name, with its images where the store knows them.

    One that is neither held nor in the manifest in force is known when an event named it. Raises InputError.
    """
    from difflib import get_close_matches

    from bundlekeeper.jobs.open import manifest_in_force
    from bundlekeeper.ledger.ask.types import BundleOf, ImageOf
    from bundlekeeper.ledger.ask.where import ever_bundle

    rows = _held(store)
    family, slash, version = text.partition("/")
    for row in rows:
        if text == row.name or (family, version) == (row.family, row.version):
            images = tuple(ImageOf(i.kind, i.models, i.version) for i in row.images)
            return BundleOf(row.family, row.version, images)
    if slash and ever_bundle(book, family, version):
        return BundleOf(family, version)
    manifest = manifest_in_force(store)
    listed = manifest.bundle if manifest is not None else ()
    for bundle in listed:
        if text == bundle.file or (family, version) == (bundle.family, bundle.version):
            images = tuple(ImageOf(i.kind, tuple(i.models), i.version) for i in bundle.images)
            return BundleOf(bundle.family, bundle.version, images)
    known = [f"{row.family}/{row.version}" for row in rows] + [row.name for row in rows]
    known += [f"{bundle.family}/{bundle.version}" for bundle in listed]
    near = get_close_matches(text, known, n=1)
    hint = f"did you mean {near[0]}?" if near else "write family/version, or the name of a held file"
    raise InputError(f"no such bundle: {text} is not held, in no manifest, and was never recorded", hint=hint)


def _withdrawn(store: Store) -> tuple[BundleOf, ...]:
    from bundlekeeper.jobs.open import manifest_in_force
    from bundlekeeper.ledger.ask.types import BundleOf, ImageOf
    from bundlekeeper.store.contents.withdrawals import withdrawn_since

    found: dict[tuple[str, str], BundleOf] = {}
    for row in _held(store):
        if row.standing == "withdrawn":
            images = tuple(ImageOf(i.kind, i.models, i.version) for i in row.images)
            found[row.family, row.version] = BundleOf(row.family, row.version, images)
    manifest = manifest_in_force(store)
    if manifest is None:
        return tuple(found.values())
    with store.catalogue(write=False) as catalogue:
        known = catalogue.accepted()
    newer, _ = withdrawn_since(store.fd, known, manifest.sequence)
    for bundle in (*newer, *manifest.bundle):
        if bundle.standing == "withdrawn":
            images = tuple(ImageOf(i.kind, tuple(i.models), i.version) for i in bundle.images)
            found[bundle.family, bundle.version] = BundleOf(bundle.family, bundle.version, images)
    return tuple(found.values())


def doubts(
    book: Ledger, on: date | datetime | None, known: date | datetime | None, zone: str, clock: datetime
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
            says = f"{day} is still to come: this machine's clock says {clock.date()}, and nothing is known of later"
            found.append(finding("clock-doubtful", option, says, "is it the right year?", Level.NOTE))
    asked = on if on is not None else known
    beyond = ahead(book, clock) if asked is None or moments.moment(asked, zone).at_us > limit else None
    if beyond is not None:
        found.append(beyond.doubt("not counted here" if asked is None else "counted here up to the day asked about"))
    return found


def _text(value: str | None) -> str:
    return "?" if value is None else value or "-"


def _when(moment: Moment) -> str:
    """A moment for people, to the second."""
    return re.sub(r"\.[0-9]+", "", moment.text())


def _version(bank: InBank | None) -> str:
    return _text(None if bank is None else bank.version)


def _row(answer: WhereAnswer) -> tuple[str, ...]:
    since = answer.active.since if answer.active is not None else None
    return (
        (answer.place.path() if answer.place is not None else "?") + ("" if answer.present else " (gone)"),
        answer.kind,
        answer.model or "?",
        answer.component,
        _version(answer.active),
        _when(since.at) if since is not None else "?",
        since.says if since is not None else "?",
        since.proof.value if since is not None else "?",
        answer.agreement.value,
        _version(answer.pending),
        _version(answer.spare),
        ", ".join(_version(each) for each in answer.held) or ("-" if answer.held_whole else "?"),
    )


def tell_answers(
    answers: Sequence[WhereAnswer], *, json: bool, csv: bool, about: Mapping[str, Any], doubts: Sequence[Finding]
) -> int:
    """Print the answers, and what is doubtful about them; returns the exit status."""
    if json:
        differs = sum(a.agreement == "differs" for a in answers)
        data = {
            **about,
            "components": [_as_json(a) for a in answers],
            "counts": {"components": len(answers), "differs": differs},
        }
        output.envelope("where", doubts, data)
    elif csv:
        output.findings_aside(doubts)
        _csv(_COLUMNS, [_row(a) for a in answers])
    elif not answers:
        output.line("nothing that is known matches")
        output.findings_text(doubts)
    else:
        from bundlekeeper.reports.tables import Table, write

        table = Table(_COLUMNS, below=frozenset({2, 3, 5, 6, 7, 11}))
        table.rows += [_row(a) for a in answers]
        write(table)
        differs = sum(a.agreement == "differs" for a in answers)
        output.line(f"{counted(len(answers), 'component')}; {differs} whose last reading is not what was recorded")
        output.findings_text(doubts)
    return exit_status(doubts)


def _evidence(evidence: Evidence | None) -> dict[str, Any] | None:
    if evidence is None:
        return None
    return {
        "event": evidence.id,
        "what": evidence.what.value,
        "at": evidence.at.text(),
        "says": evidence.says,
        "by": evidence.by,
        "proof": evidence.proof.value,
        "source": evidence.source,
    }


def _bank(bank: InBank | None) -> dict[str, Any] | None:
    if bank is None:
        return None
    return {
        "version": bank.version,
        "family": bank.family,
        "bundle": bank.bundle,
        "sha256": bank.sha256,
        "since": _evidence(bank.since),
    }


def _as_json(answer: WhereAnswer) -> dict[str, Any]:
    place = answer.place
    return {
        "component": answer.component,
        "kind": answer.kind,
        "model": answer.model or None,
        "parent": answer.parent or None,
        "site": place.site if place else None,
        "domain": place.domain if place else None,
        "chassis": place.chassis if place else None,
        "slot": place.slot if place else None,
        "present": answer.present,
        "active": _bank(answer.active),
        "pending": _bank(answer.pending),
        "spare": _bank(answer.spare),
        "held": [_bank(each) for each in answer.held],
        "held_whole": answer.held_whole,
        "recorded": _bank(answer.said),
        "read": _evidence(answer.seen),
        "agreement": answer.agreement.value,
        "bundles": [f"{b.family}/{b.version}" for b in answer.bundles],
    }


def tell_groups(
    keys: Sequence[str], groups: Sequence[WhereGroup], *, json: bool, csv: bool, doubts: Sequence[Finding]
) -> int:
    """Print counts, and what is doubtful about them; returns the exit status."""
    rows = [(*(_text(v) for v in g.values), str(g.count), str(g.differs)) for g in groups]
    titles = (*keys, "components", "differ")
    if json:
        data = [{**dict(zip(keys, g.values, strict=True)), "components": g.count, "differs": g.differs} for g in groups]
        output.envelope("where", doubts, {"by": list(keys), "groups": data})
    elif csv:
        output.findings_aside(doubts)
        _csv(titles, rows)
    else:
        from bundlekeeper.reports.tables import Table, write

        write(Table(titles, list(rows), right=frozenset({len(keys), len(keys) + 1})))
        output.findings_text(doubts)
    return exit_status(doubts)


def tell_history(component: str, entries: Sequence[LedgerEntry], *, json: bool) -> int:
    """Print everything that was recorded of one component, void entries too; returns the exit status."""
    from bundlekeeper.ledger.event.events import content

    if json:
        rows = [{"id": e.id, "learned": e.learned.text(), "void": e.void, "event": content(e.event)} for e in entries]
        output.envelope("where", [], {"component": component, "history": rows})
        return 0
    last: Place | None = None
    for entry in entries:
        event = entry.event
        seen = ", ".join(
            f"{b} {_text(v)}" for b in ("active", "pending", "spare") if (v := getattr(event.seen, b)) is not None
        )
        what = " ".join(part for part in (event.what.value, event.bank, event.version or seen) if part)
        if event.place is not None:
            what += f" at {event.place.path()}{_moved_from(last, event.place)}"
        void = " (corrected)" if entry.void else ""
        if event.place is not None and not entry.void and event.what != "gone":
            last = event.place
        why = f"; {event.why or event.note or event.anyway}" if event.why or event.note or event.anyway else ""
        output.line(
            f"{_when(event.at)}  {what}{void}  says {event.says}, {event.proof.value}, learned {_when(entry.learned)}, "
            f"id {entry.id[:12]}{why}"
        )
    output.line(f"{component}: {counted(len(entries), 'event')}")
    return 0


def _moved_from(before: Place | None, now: Place) -> str:
    """Where it was before, when both places tell a level and it is not the same."""
    if before is None:
        return ""
    pairs = ((getattr(before, level), getattr(now, level)) for level in ("site", "domain", "chassis", "slot"))
    moved = any(a is not None and b is not None and a != b for a, b in pairs)
    return f", moved from {before.path()}" if moved else ""


def tell_picture(answers: Sequence[WhereAnswer], doubts: Sequence[Finding]) -> int:
    """Print chassis as boxes of slots, and what is doubtful about them beside; returns the exit status."""
    from bundlekeeper.reports.picture import Cell, write

    cells = [
        Cell(
            a.place.path() if a.place else "?",
            (a.place.chassis if a.place else None) or "-",
            (a.place.slot if a.place else None) or "-",
            a.kind,
            _version(a.active),
            _version(a.pending) if a.pending is not None and a.pending.version else "",
            a.agreement == "differs",
        )
        for a in answers
    ]
    write(cells)
    output.findings_aside(doubts)
    return exit_status(doubts)


def _csv(titles: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    import csv

    from bundlekeeper.formats.escape import visible

    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(titles)
    writer.writerows([_harmless(visible(cell)) for cell in row] for row in rows)


def _harmless(cell: str) -> str:
    """A lone "-" is our own word for none; anything else that a spreadsheet could take for a formula gets a quote."""
    return f"'{cell}" if cell != "-" and cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell
