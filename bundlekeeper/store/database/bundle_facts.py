"""What a manifest says about its bundles, as the store database keeps it.

Rules: made from the manifest's objects by attribute only, so that the store never imports their types; a digest is
lower case here, whatever its case in the manifest; names are checked once, before paths are made of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import visible
from bundlekeeper.store.database.rows import BundleFacts, Stated, StoredImage

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle, Manifest


def facts_of(manifest: Manifest) -> tuple[BundleFacts, ...]:
    """The facts of every bundle of a manifest, in its order."""
    return tuple(_facts(manifest, bundle) for bundle in manifest.bundle)


def insist_on_names(manifest: Manifest) -> None:
    """Refuse a name that is unsafe as a file's name, or two in one folder that are one name on some file systems.

    Raises InputError.
    """
    from bundlekeeper.formats.safe_names import collision_key, problems_of_name

    seen: dict[tuple[str, str, str], str] = {}
    for bundle in facts_of(manifest):
        for name in (bundle.name, *((bundle.signature.file,) if bundle.signature else ())):
            problems = problems_of_name(name)
            if problems:
                raise InputError(f"{visible(name)}: {problems[0].message}", hint=problems[0].hint)
            key = (*bundle.folder, collision_key(name))
            if key in seen:
                raise InputError(f"{seen[key]} and {name} are one name on some file systems", hint="rename one")
            seen[key] = name


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
        lifecycle=str(bundle.lifecycle),
        reason=bundle.reason or "",
        variant=str(bundle.variant or ""),
        images=tuple(StoredImage(i.kind, tuple(i.models), i.version) for i in bundle.images),
        released=bundle.released,
        signature=Stated(signed.file, signed.form, signed.key) if signed is not None else None,
    )
