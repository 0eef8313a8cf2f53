"""A packing compared with the manifest that is in force when it is written: it may have been made months before.

Rules: pure; a bundle that was withdrawn since never goes out in a new set; a set whose index is signed went out in part
already, and may be finished, because half a set is of no use; then every withdrawn bundle of it is reported.
"""

from __future__ import annotations

from bundlekeeper.errors import RefusedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.model.media.packing import SetPacking

_AGAIN = "pack again: bundlekeeper media pack"


def check_in_force(packing: SetPacking, manifest: Manifest | None, *, signed: bool) -> tuple[Finding, ...]:
    """What a newer manifest changes for a packing; `signed` says that the set's index is signed already.

    Raises RefusedError, with every one of them, when bundles of a set that is not signed yet were withdrawn.
    """
    if manifest is None or manifest.platform != packing.platform:
        return ()
    found = _withdrawn(packing, manifest)
    if found and not signed:
        some = "1 bundle of the packing was" if len(found) == 1 else f"{len(found)} bundles of the packing were"
        raise RefusedError(f"{some} withdrawn since it was made", hint=_AGAIN, problems=found)
    if packing.manifest_sequence < manifest.sequence:
        message = (
            f"the packing was made from manifest {packing.manifest_sequence}; manifest {manifest.sequence} is in force"
        )
        hint = f"the set carries the older manifest; to carry the newer one, {_AGAIN}"
        found.append(finding("input-changed", packing.platform, message, hint, Level.WARNING))
    return tuple(found)


def _withdrawn(packing: SetPacking, manifest: Manifest) -> list[Finding]:
    withdrawn = {bundle.sha256.lower(): bundle for bundle in manifest.bundle if bundle.lifecycle.value == "withdrawn"}
    found = []
    for packed_file in packing.files:
        bundle = withdrawn.get(packed_file.file.sha256) if packed_file.file.role == "bundle" else None
        if bundle is not None:
            reason = f": {bundle.reason}" if bundle.reason else ""
            message = f"withdrawn by its publisher{reason} (manifest {manifest.sequence})"
            hint = "send a notice of the withdrawal after it: bundlekeeper media write --notice"
            found.append(finding("withdrawn", f"{bundle.family} {bundle.version} ({bundle.file})", message, hint))
    return found
