"""Withdrawals that outlive their manifest: going back to an older manifest makes no withdrawn bundle good again.

Rules: the admitted manifest with the highest number decides what is withdrawn, whichever is in force; a
bundle is known by its SHA-256, whatever a manifest calls it; where the kept copy of that manifest is gone or altered,
that is reported, because its withdrawals are unknown then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import DamagedError, KeeperError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.store.database.kept_manifests import bytes_of

if TYPE_CHECKING:
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.model.manifest.types import Bundle, Manifest
    from bundlekeeper.store.database.rows import Admitted


def withdrawn_since(
    root: int, known: Sequence[Admitted], sequence: int
) -> tuple[tuple[Bundle, ...], tuple[Finding, ...]]:
    """The bundles that the newest manifest of those `known` withdrew, where it is newer than number `sequence`.

    `root` is the store's folder. Raises nothing: a manifest that cannot be read is a finding.
    """
    newest = max(known, key=lambda manifest: manifest.sequence, default=None)
    if newest is None or newest.sequence <= sequence:
        return (), ()
    from bundlekeeper.model.lint.read_manifest import read

    try:
        manifest = read(bytes_of(root, newest), name=newest.place, today=newest.issued).manifest
    except DamagedError:
        return (), (_unknown(newest, "its kept copy is not what was admitted"),)
    except (KeeperError, OSError) as error:
        return (), (_unknown(newest, str(error)),)
    withdrawn = (_with_source(bundle, newest.sequence) for bundle in manifest.bundle if bundle.lifecycle == "withdrawn")
    return tuple(withdrawn), ()


def overlaid(root: int, loaded: Loaded, known: Sequence[Admitted]) -> tuple[Loaded, tuple[Finding, ...]]:
    """The manifest, with what a newer one of those `known` withdrew; and a finding where that is unknown.

    Raises nothing.
    """
    withdrawn, findings = withdrawn_since(root, known, loaded.manifest.sequence)
    since = {bundle.sha256.lower(): bundle for bundle in withdrawn}
    if not since:
        return loaded, findings
    return replace(loaded, manifest=_with(loaded.manifest, since)), findings


def _with(manifest: Manifest, since: dict[str, Bundle]) -> Manifest:
    rows = []
    for bundle in manifest.bundle:
        later = since.get(bundle.sha256.lower())
        if later is not None and bundle.lifecycle != "withdrawn":
            bundle = bundle.model_copy(update={"lifecycle": later.lifecycle, "reason": later.reason})
        rows.append(bundle)
    return manifest.model_copy(update={"bundle": tuple(rows)})


def _with_source(bundle: Bundle, sequence: int) -> Bundle:
    """The bundle, with the manifest that withdrew it in its reason."""
    reason = bundle.reason or "no reason given"
    return bundle.model_copy(update={"reason": f"{reason} (by manifest {sequence}, which this store admitted)"})


def _unknown(newest: Admitted, message: str) -> Finding:
    return finding(
        "not-checked",
        newest.place,
        f"what manifest {newest.sequence} withdrew is not known: {message}",
        "add it again, then go back to the older one",
    )
