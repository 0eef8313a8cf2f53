"""Which components an upload is about, and everything that is against bringing the bundle to each of them.

Rules: the facts are the store's: the manifest in force, the ledger's inventory, the verified bundles; any error or
warning refuses, and of what was accepted only four codes count; all of it or nothing is sent.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import CODES, Finding, Level, finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.planning.inputs import InputFiles, Inputs, read_inputs
from bundlekeeper.jobs.session import Session
from bundlekeeper.jobs.unsettled import of_record
from bundlekeeper.jobs.upload.asked import PlannedTime, UploadOptions, UploadTarget
from bundlekeeper.model.upload import IN_WINDOW

if TYPE_CHECKING:
    from bundlekeeper.jobs.following.progress import FollowedPlan
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.model.inventory.types import Component
    from bundlekeeper.model.manifest.types import Bundle
    from bundlekeeper.model.route.dated_windows import DatedWindow
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.gaps.upload import JudgedUpload
    from bundlekeeper.store.database.rows import StoredBundle

#: Accepted findings that count here.
COUNTING = frozenset({"jump-unstated", "no-way-back", "stale-verification", "component-differs"})


def judged_targets(
    session: Session,
    wanted: Sequence[tuple[WhereAnswer, str]],
    options: UploadOptions,
    plan: FollowedPlan | None = None,
) -> tuple[tuple[UploadTarget, ...], tuple[Finding, ...]]:
    """The components, each with the bundle that is named for it, and notes; `plan` is the one that asks for it.

    Raises RefusedError with every finding that is against any of them; InputError; as `read_inputs`.
    """
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.gaps.upload import UploadChange, judge_upload

    given = plan.given if plan is not None else read_inputs(session, InputFiles())
    fleet = Fleet(given.manifest, given.inventory)
    known = {component.key: component for component in given.inventory.components}
    found: list[Finding] = [_restored(one) for one in given.findings]
    targets = []
    for answer, name in wanted:
        component = known.get(answer.component)
        if component is None or not component.domain:
            message = "it is in no domain, so nothing can be judged"
            raise InputError(message, where=answer.component, hint="bundlekeeper inventory load FILE")
        bundle, stored = bundle_of(session, given, name, component, fleet)
        change = UploadChange(answer.component, bundle, activates=bool(options.activate))
        judged = judge_upload(fleet, component.domain, change, given.holdings, given.judged_at)
        left_open = of_record(answer)
        window, about = _window(session, plan, component, bundle, judged.version, options)
        for one in (*judged.findings, *([left_open] if left_open else ()), *about):
            found += _counted([one], given, component.domain)
        targets.append(_target(fleet, component, answer, bundle, stored, judged, plan, window))
    found = list(dict.fromkeys(found))
    against = [one for one in found if one.level is not Level.NOTE]
    if against:
        message = f"refused, nothing was sent: {counted(len(against), 'finding')} against it"
        hint = "an upload needs all of them gone; of accepted findings only four codes count (help upload)"
        raise RefusedError(message, hint=hint, problems=against)
    return tuple(targets), tuple(found)


def _target(
    fleet: Fleet,
    component: Component,
    answer: WhereAnswer,
    bundle: Bundle,
    stored: StoredBundle,
    judged: JudgedUpload,
    plan: FollowedPlan | None,
    window: PlannedTime | None,
) -> UploadTarget:
    digest = plan.followed.document.sha256 if plan is not None else ""
    same = fleet.manifest_index.scale(component.kind).same
    return UploadTarget(
        component, answer, bundle, stored, judged.version, judged.effect, judged.method, digest, window, same
    )


def _restored(found: Finding) -> Finding:
    """A finding about the inputs, at its own level again where its acceptance does not count here."""
    if not found.accepted or found.code in COUNTING:
        return found
    return replace(found, level=CODES[found.code].level if found.code in CODES else Level.ERROR, accepted="")


def _counted(findings: Iterable[Finding], given: Inputs, domain: str) -> list[Finding]:
    rows = list(findings)
    judged = given.judged(rows, domain)
    return [new if not new.accepted or new.code in COUNTING else old for old, new in zip(rows, judged, strict=True)]


def bundle_of(
    session: Session, given: Inputs, name: str, component: Component, fleet: Fleet
) -> tuple[Bundle, StoredBundle]:
    """The bundle of that name for a component, in the manifest and in the store.

    `name` is family/version or a file's name. Raises InputError for none, and for several that differ in variant;
    RefusedError for one that is not in the store.
    """
    family, _, version = name.partition("/")
    bundles = [
        one for one in given.manifest.bundle if name == one.file or (one.family, one.version) == (family, version)
    ]
    if len(bundles) > 1:
        reading = next(p.reading for p in fleet.state(component.domain).components if p.key == component.key)
        bundles = [one for one in bundles if one.variant in (None, reading.variant)] or bundles
    if len(bundles) != 1:
        message = f"the manifest has {'several bundles' if bundles else 'no bundle'} {name}"
        names = " or ".join(one.file for one in bundles)
        raise InputError(message, hint=f"name the file: {names}" if names else "write family/version")
    database = session.database
    rows = database.stored() if database is not None else []
    stored = next((row for row in rows if row.sha256 == bundles[0].sha256.lower()), None)
    if stored is None:
        message = f"{name} is not in this store"
        problem = finding(
            "not-in-store", name, "needed, not in the store", "bundlekeeper store add MANIFEST --from DIR"
        )
        raise RefusedError(f"refused, nothing was sent: {message}", hint=problem.hint, problems=[problem])
    return bundles[0], stored


# -- the plan's window -------------------------------------------------------------------------------------------------


def _window(
    session: Session,
    plan: FollowedPlan | None,
    component: Component,
    bundle: Bundle,
    version: str,
    options: UploadOptions,
) -> tuple[PlannedTime | None, list[Finding]]:
    """The window in which a plan has the component's change, and what is against it now."""
    if plan is None:
        if options.activate in IN_WINDOW:
            message = f"--activate {options.activate} needs a window, and only a plan with dates has one"
            raise InputError(message, hint="--plan PLAN, or --activate immediate in a window of your own")
        return None, []
    work, name = plan.followed.work, component.key
    item = next((one for one in work.of.get(name, ()) if one.file == bundle.file and one.end == version), None)
    if item is None:
        message = f"the plan does not bring it to {version or 'this bundle'}"
        return None, [finding("falls-short", name, message, "bundlekeeper plan show PLAN")]
    window = work.window(item.window) if item.window else None
    number = window.number if window is not None else 0
    if window is None or window.dated is None:
        if options.activate in IN_WINDOW:
            hint = "bundlekeeper route … --windows FILE makes a plan with dates"
            return None, [finding("not-checked", name, f"when window {number} is (not known: its date)", hint)]
        return PlannedTime(number), []
    return _dated(session, name, number, window.dated, activates=options.activate)


def _dated(
    session: Session, name: str, number: int, dated: DatedWindow, *, activates: str
) -> tuple[PlannedTime, list[Finding]]:
    start, end, now = dated.time(), dated.time(dated.minutes), session.now()
    found = PlannedTime(number, start.isoformat(timespec="seconds"), dated.minutes)
    is_early = activates and activates not in IN_WINDOW and now < start
    if now >= end or is_early:
        hint = "activating keeps to the plan's window" if is_early else "make the plan again, with windows to come"
        message = f"window {number} is {dated.text()}, and now is {now:%Y-%m-%d %H:%MZ}"
        return found, [finding("falls-short", name, message, hint)]
    return found, []
