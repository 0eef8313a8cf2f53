"""A plan held against the manifest that is in force when it is written: it may have been made months before.

Rules: pure; what was withdrawn since never goes out in a set that is new; a set whose index is signed went out in part
already, and is finished, because half a set is of no use to anybody, but every withdrawn bundle of it is reported.
"""

from __future__ import annotations

from bundlekeeper.errors import RefusedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.model.media.plan import SetPlan

_AGAIN = "plan again: bundlekeeper media pack"


def hold_against(plan: SetPlan, manifest: Manifest | None, *, signed: bool) -> tuple[Finding, ...]:
    """What a newer manifest says of a plan; `signed` that the set's index is signed already.

    Raises RefusedError, with every one of them, when bundles of a set that is not signed yet were withdrawn.
    """
    if manifest is None or manifest.platform != plan.platform:
        return ()
    found = _withdrawn(plan, manifest)
    if found and not signed:
        some = "a bundle of the plan was" if len(found) == 1 else f"{len(found)} bundles of the plan were"
        raise RefusedError(f"{some} withdrawn since it was made", hint=_AGAIN, problems=found)
    if plan.manifest_sequence < manifest.sequence:
        message = f"the plan is by manifest {plan.manifest_sequence}, manifest {manifest.sequence} is in force"
        hint = f"it is the older one that the set carries; {_AGAIN}"
        found.append(finding("input-changed", plan.platform, message, hint, Level.WARNING))
    return tuple(found)


def _withdrawn(plan: SetPlan, manifest: Manifest) -> list[Finding]:
    rows = {b.sha256.lower(): b for b in manifest.bundle if b.lifecycle.value == "withdrawn"}
    found = []
    for planned in plan.files:
        bundle = rows.get(planned.file.sha256) if planned.file.role == "bundle" else None
        if bundle is not None:
            reason = f": {bundle.reason}" if bundle.reason else ""
            message = f"withdrawn by its publisher{reason} (manifest {manifest.sequence})"
            hint = "send the withdrawal after it: bundlekeeper media write --notice"
            found.append(finding("withdrawn", f"{bundle.family} {bundle.version} ({bundle.file})", message, hint))
    return found
