"""A kept plan and its run-book as files that every volume of a set carries.

Rules: what is carried is what the store keeps, byte for byte, so that writing again continues the set; the run-book is
made once, when the plan first goes out.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.jobs.planning.inputs import InputFiles
from bundlekeeper.jobs.planning.plan_file import plan_data
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.media.set.packing import Common
    from bundlekeeper.model.media.packing import SetPacking
    from bundlekeeper.store.contents.kept_plans import KeptPlan, Plans

_UNIT = 1 << 16  # what a small file takes beside its bytes, at most


def with_plan(session: Session, packing: SetPacking, name: str, files: InputFiles) -> SetPacking:
    """The packing with a kept plan, its record and its run-book on every volume.

    Raises InputError for a plan that is not kept, is for something else, or does not fit; RefusedError for one that has
    no run-book.
    """
    from bundlekeeper.media.set.packing import common_files

    data, kept = plan_data(session, name)
    if kept is None:
        raise InputError("only a kept plan goes out", where=name, hint=f"bundlekeeper plan keep {name}")
    if not kept.is_open:
        raise InputError(f"the plan is closed: {kept.reason}", where=name, hint="bundlekeeper plan list")
    _insist_on_purpose(session, kept, packing.meant_for, files)
    commons = _commons(session, session.plans, kept, data, files)
    need = sum(len(common.data) + _UNIT for common in commons)
    for volume in packing.volumes:
        if volume.usable - volume.reserved - volume.used < need:
            hint = "pack again with more space: bundlekeeper media pack … --spare 2%"
            raise InputError(f"the plan does not fit on volume {volume.number}: {need} bytes", hint=hint)
    volumes = tuple(replace(volume, reserved=volume.reserved + need) for volume in packing.volumes)
    rows = (*common_files(commons, len(volumes)), *packing.files)
    return replace(packing, volumes=volumes, files=rows)


def _insist_on_purpose(session: Session, kept: KeptPlan, meant_for: str, files: InputFiles) -> None:
    """Refuse a plan that cannot be followed with the set, `domain holm-a to release 6.1`: of another domain, or at
    another site, or to another release. A set for a release goes anywhere."""
    from bundlekeeper.jobs.planning.inputs import read_inputs

    to = f"to release {kept.release}"
    fitting = {f"domain {kept.domain} {to}", f"release {kept.release}"}
    if meant_for.startswith("site "):
        components = read_inputs(session, files).inventory.components
        fitting |= {f"site {component.site} {to}" for component in components if component.domain == kept.domain}
    if meant_for not in fitting:
        message = f"the plan is of domain {kept.domain} {to}, and the set is for {meant_for}"
        raise InputError(message, where=kept.name, hint="name a plan of it, or pack for the plan's domain and release")


def _commons(session: Session, plans: Plans, kept: KeptPlan, data: bytes, files: InputFiles) -> list[Common]:
    from bundlekeeper.jobs.planning.report import ReportPage, RunbookWanted, runbook_page
    from bundlekeeper.media.set.packing import Common
    from bundlekeeper.store.contents.kept_plans import ABOUT, FOLDER
    from bundlekeeper.store.contents.store import KEEPER

    runbook = plans.runbook(kept.sha256)
    if runbook is None:
        page = runbook_page(session, RunbookWanted(file=kept.sha256), files, plain=False)
        if not isinstance(page, ReportPage):
            raise InputError("the plan has no run-book", where=kept.name, hint=f"bundlekeeper plan check {kept.name}")
        runbook = page.page.encode()
        if session.write:
            plans.keep_runbook(kept.sha256, runbook)
    home = f"{KEEPER}/{FOLDER}/{kept.sha256}"
    return [
        Common(f"plans/{kept.name}.json", f"{home}.json", data, "plan"),
        Common(f"plans/{kept.name}.about.json", f"{home}.about.json", ABOUT.write(kept), "plan-record"),
        Common(f"plans/{kept.name}.html", f"{home}.runbook.html", runbook, "run-book"),
    ]
