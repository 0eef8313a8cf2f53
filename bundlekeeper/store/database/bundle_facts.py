"""What a manifest says of its bundles, in the words that the catalogue keeps.

Rules: made from the manifest's objects by attribute only, so that the store never pays for their types; a digest is
lower case here, whatever its case in the manifest. Names were judged when the manifest was read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.store.database.rows import BundleFacts, HeldImage, Stated

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle, Manifest


def facts_of(manifest: Manifest) -> tuple[BundleFacts, ...]:
    """The facts of every bundle of a manifest, in its order."""
    return tuple(_facts(manifest, bundle) for bundle in manifest.bundle)


def _facts(manifest: Manifest, bundle: Bundle) -> BundleFacts:
    signed = bundle.signature
    return BundleFacts(
        family=str(bundle.family),
        version=bundle.version,
        name=bundle.file,
        size=bundle.size,
        sha256=bundle.sha256.lower(),
        platform=manifest.platform,
        sequence=manifest.sequence,
        digest_from=bundle.digest_from or "",
        standing=str(bundle.standing),
        why=bundle.why or "",
        build=str(bundle.build or ""),
        images=tuple(HeldImage(i.kind, tuple(i.models), i.version) for i in bundle.images),
        released=bundle.released,
        signature=Stated(signed.file, signed.form, signed.key) if signed is not None else None,
    )
