"""What a manifest says of one bundle, in the words that the catalogue keeps.

Rules: made from the manifest's objects by attribute only, so that the store never pays for their types; a digest is
lower case here, whatever its case in the manifest.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import visible
from bundlekeeper.model.manifest.digest_origin import is_own_copy
from bundlekeeper.store.database.rows import Held, HeldImage, Stated

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle, Manifest


@dataclass(frozen=True, slots=True)
class Facts:
    """One bundle as one manifest describes it; `size` in bytes."""

    family: str
    version: str
    name: str
    size: int
    sha256: str
    platform: str
    sequence: int
    digest_from: str
    standing: str
    why: str
    build: str
    images: tuple[HeldImage, ...]
    released: date | None
    signature: Stated | None = None

    @property
    def folder(self) -> tuple[str, str]:
        """The bundle's folder inside the store, as components."""
        from bundlekeeper.formats.safe_names import safe_folder

        return self.family, safe_folder(self.version)

    @property
    def place(self) -> str:
        """The bundle's path inside the store."""
        return "/".join((*self.folder, self.name))

    @property
    def proves_itself(self) -> bool:
        """True when the digest was computed from the very file that it is meant to prove."""
        return is_own_copy(self.digest_from)

    def held(self, *, taken_at: datetime, taken_from: str, way_in: str) -> Held:
        """The catalogue's row of this bundle, taken then, from there, in that way."""
        return Held(
            place=self.place,
            family=self.family,
            version=self.version,
            name=self.name,
            size=self.size,
            sha256=self.sha256,
            platform=self.platform,
            sequence=self.sequence,
            digest_from=self.digest_from,
            standing=self.standing,
            why=self.why,
            build=self.build,
            taken_at=taken_at,
            taken_from=taken_from,
            way_in=way_in,
            images=self.images,
            released=self.released,
            signature=self.signature,
        )


def facts_of(manifest: Manifest) -> tuple[Facts, ...]:
    """The facts of every bundle of a manifest, in its order.

    Raises InputError for a name that is unsafe as a file's name, or two that some file system takes for one: the
    store asks again, whoever read the manifest.
    """
    from bundlekeeper.formats.safe_names import collision_key, problems_of_name

    facts = tuple(_facts(manifest, bundle) for bundle in manifest.bundle)
    taken: dict[tuple[str, str, str], str] = {}
    for each in facts:
        for name in (each.name, *((each.signature.file,) if each.signature else ())):
            problems = problems_of_name(name)
            if problems:
                raise InputError(f"{visible(name)}: {problems[0].says}", hint=problems[0].hint)
            key = (*each.folder, collision_key(name))
            if key in taken:
                raise InputError(f"{taken[key]} and {name} are one name on some file systems", hint="rename one")
            taken[key] = name
    return facts


def _facts(manifest: Manifest, bundle: Bundle) -> Facts:
    signed = bundle.signature
    return Facts(
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
