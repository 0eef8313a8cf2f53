"""`stage --upload` and `plan record --upload`: judged, agreed to, brought, and recorded as it was read back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.recording.statements import RecordDetails
from bundlekeeper.jobs.session import Session
from bundlekeeper.jobs.upload.asked import Agree, UploadOptions, UploadRun, UploadTarget
from bundlekeeper.jobs.upload.targets import judged_targets
from bundlekeeper.model.upload import UploadResult

if TYPE_CHECKING:
    from bundlekeeper.jobs.following.progress import FollowedPlan
    from bundlekeeper.jobs.following.record_window import OpenWindow
    from bundlekeeper.jobs.recording.selection import Places
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.model.stop import Stop


def upload(
    session: Session,
    places: Places,
    bundle: str,
    options: UploadOptions,
    details: RecordDetails,
    agree: Agree,
    stop: Stop,
) -> UploadRun:
    """Bring a bundle to the components that are meant.

    Raises InputError for what cannot be understood, RefusedError for what is not allowed or not agreed to,
    StoppedError.
    """
    from bundlekeeper.jobs.following.progress import followed_plan
    from bundlekeeper.jobs.planning.followed import insist_unchanged
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.recording.selection import Places

    options.check()
    if not bundle:
        raise InputError("--upload needs a bundle", hint="--bundle family/version")
    if places == Places():
        raise InputError("no component is named", hint="a serial, a place, --site/--domain/--kind/…")
    wanted = [(answer, bundle) for answer in _meant(session, places, bundle)]
    plan = None
    if details.plan:
        plan = followed_plan(session, details.plan, InputFiles())
        insist_unchanged(plan.followed, details.plan)
        details = _of_plan(details, plan)
    targets, notes = judged_targets(session, wanted, options, plan)
    return _run(session, targets, notes, options, details, places.name or "", agree, stop)


def upload_window(
    session: Session,
    window: OpenWindow,
    options: UploadOptions,
    details: RecordDetails,
    agree: Agree,
    stop: Stop,
) -> UploadRun:
    """Bring what is left of a window of a plan, as far as it can be brought like this.

    Raises as `upload`.
    """
    from bundlekeeper.ledger.ask import where as questions
    from bundlekeeper.ledger.ask.types import Selector

    options.check()
    rows = [row.item for row in window.open]
    if not rows:
        raise InputError(f"nothing of window {window.number} is left to bring", hint="bundlekeeper plan progress")
    wanted = []
    for item in rows:
        answers = questions.where(session.ledger, Selector(component=item.key), clock=session.now())
        if len(answers) != 1:
            raise InputError(f"{item.key} was never recorded", hint="bundlekeeper inventory load FILE")
        wanted.append((answers[0], item.file))
    wanted, passed = _only_uploads(session, wanted)
    if passed:
        session.tell(f"note: not for upload, left to be done otherwise: {counted(len(passed), 'component')}: "
                     f"{', '.join(sorted({answer.kind for answer in passed}))}")  # fmt: skip
    details = _of_plan(details, window.plan)
    targets, notes = judged_targets(session, wanted, options, window.plan)
    return _run(session, targets, notes, options, details, window.plan.name, agree, stop)


def _of_plan(details: RecordDetails, plan: FollowedPlan) -> RecordDetails:
    """What is recorded with it, with the ticket and the approval that the plan was kept with."""
    if plan.kept is None:
        return details
    if not plan.kept.is_open:
        raise InputError(f"the plan is closed: {plan.kept.reason}", where=plan.name, hint="bundlekeeper plan list")
    return replace(
        details,
        change=details.change or plan.kept.change,
        approved_by=details.approved_by or plan.kept.approved_by,
    )


def _only_uploads(
    session: Session, wanted: list[tuple[WhereAnswer, str]]
) -> tuple[list[tuple[WhereAnswer, str]], list[WhereAnswer]]:
    """Of a whole window, what can be uploaded at all; all of it where that is nothing, so that it is refused."""
    from bundlekeeper.planning.fleet.manifest_index import ManifestIndex

    if session.manifest is None:
        return wanted, []
    index = ManifestIndex(session.manifest)
    fit = [one for one in wanted if index.facts(one[0].kind, one[0].model).upload]
    return (fit, [one[0] for one in wanted if one not in fit]) if fit else (wanted, [])


def _meant(session: Session, places: Places, bundle: str) -> Sequence[WhereAnswer]:
    """The components that a name and options mean; of several those that the bundle has an image for."""
    from bundlekeeper.jobs.recording import passed_over
    from bundlekeeper.jobs.recording.record import RecordingWork, no_match, recorded_bundle
    from bundlekeeper.jobs.recording.selection import insist_on_one_meaning, selector_of
    from bundlekeeper.ledger.ask import where as questions

    selector = selector_of(session, places)
    answers = questions.where(session.ledger, selector, clock=session.now())
    answers = [answer for answer in answers if answer.present]
    if not answers:
        raise no_match(session)
    insist_on_one_meaning(session, places, selector, answers)
    return passed_over.with_image(answers, recorded_bundle(RecordingWork(session), bundle), session.tell)


def _run(
    session: Session,
    targets: Sequence[UploadTarget],
    notes: Sequence[Finding],
    options: UploadOptions,
    details: RecordDetails,
    name: str,
    agree: Agree,
    stop: Stop,
) -> UploadRun:
    from bundlekeeper.jobs.upload.conduct import Conduct, ended
    from bundlekeeper.jobs.upload.entries import UploadRecorder

    if options.activate and not options.dry_run:
        if not name:
            raise InputError("--activate needs a target that is named", hint="a serial, a place, a domain")
        down = [f"{target.name} to {target.version}: {target.effect}" for target in targets]
        if not agree(name, down):
            hint = f"type the name again when it asks, or --confirm {name}"
            raise RefusedError("not agreed to: nothing was sent", where=name, hint=hint)
    conduct = Conduct(session, options, targets, UploadRecorder(session, details), stop)
    conduct.run()
    done = tuple(ended(conduct))
    found = (*notes, *conduct.findings, *(finding for one in done for finding in one.findings))
    refused = any(one.outcome.result is UploadResult.NOT_TRIED and not one.requests for one in done)
    return UploadRun(options.apply_time, done, tuple(dict.fromkeys(found)), options.dry_run, refused)
