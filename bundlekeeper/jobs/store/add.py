"""Adding a manifest's bundles to the store, from folders and mirrors."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, cast

from bundlekeeper.errors import InputError
from bundlekeeper.jobs.manifest_signature import GivenManifest
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.findings import Finding
    from bundlekeeper.jobs.store.removed import Removed
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.model.stop import Stop
    from bundlekeeper.store.adding.add import AddResult
    from bundlekeeper.store.adding.sources import BundleSource, Link
    from bundlekeeper.store.database.rows import BundleFacts

LINKS = ("none", "reflink", "hard")


@dataclass(frozen=True, slots=True)
class AddOptions:
    """How bundles are added: `sources` are folders and http(s) mirrors, `link` is one of `LINKS`, `wait_s` seconds.

    `ca`, `allow_hosts`, `headers` and `trust_env` are for talking to mirrors. `again` names bundles that were removed
    and are to come back, as FAMILY/VERSION or by the file's name.
    """

    sources: tuple[str, ...]
    link: str = "none"
    dry_run: bool = False
    wait_s: float = 0.0
    allow_expired: str | None = None
    allow_rollback: str | None = None
    ca: Path | None = None
    allow_hosts: tuple[str, ...] = ()
    headers: Path | None = None
    trust_env: bool = False
    again: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AddedBundles:
    """The result; `findings` has those about the manifest as well."""

    root: Path
    result: AddResult
    findings: list[Finding]

    @property
    def refused(self) -> bool:
        """True when a bundle was refused."""
        return any(row.status == "refused" for row in self.result.rows)


def add(session: Session, given: GivenManifest, options: AddOptions, stop: Stop) -> AddedBundles:
    """Add the given manifest's bundles to the store; a dry run makes no store and needs none.

    Raises InputError with every problem of the manifest, and as `store.adding.add.add_bundles`.
    """
    from bundlekeeper.model.lint import but_of_bundles
    from bundlekeeper.model.lint.read_manifest import read
    from bundlekeeper.store.adding.add import add_bundles
    from bundlekeeper.store.adding.outcome import row_of
    from bundlekeeper.store.contents.findings import of_removed
    from bundlekeeper.store.verifying.expected import keep_listing

    whole = read(given.data, name=given.name, today=session.today())
    out, damage = _staying_out(session, options.again, options.wait_s)
    loaded, left_out = _without(whole, out)
    sources = [_source(place, session.root, loaded, options) for place in options.sources]
    result = add_bundles(
        None if options.dry_run and not session.is_there else session.store,
        loaded,
        sources,
        clock=session.now,
        progress=session.caller.progress,
        link=cast("Link", options.link),
        stop=stop,
        wait_s=options.wait_s,
        dry_run=options.dry_run,
        allow_expired=options.allow_expired,
        allow_rollback=options.allow_rollback,
        signature=given.signature,
    )
    if not options.dry_run:
        keep_listing(session.store, whole, given.name)  # so that nothing that asks what should be there parses it again
    notes = [of_removed(bundle, out[bundle.place, bundle.sha256].text()) for bundle in left_out]
    result = replace(result, rows=(*result.rows, *(row_of(bundle, "removed") for bundle in left_out)))
    found = session.judged([*damage, *but_of_bundles(loaded.problems), *result.findings, *notes])
    return AddedBundles(session.root, result, found)


def _without(loaded: Loaded, out: Removed) -> tuple[Loaded, list[BundleFacts]]:
    """The manifest without the bundles that stay out, and those of it that do."""
    from bundlekeeper.store.database.bundle_facts import facts_of

    left_out = [bundle for bundle in facts_of(loaded.manifest) if (bundle.place, bundle.sha256) in out] if out else []
    if not left_out:
        return loaded, []
    names = {(bundle.name, bundle.sha256) for bundle in left_out}
    rest = [bundle for bundle in loaded.manifest.bundle if (bundle.file, bundle.sha256.lower()) not in names]
    return replace(loaded, manifest=loaded.manifest.model_copy(update={"bundle": rest})), left_out


def _staying_out(session: Session, again: tuple[str, ...], wait_s: float) -> tuple[Removed, list[Finding]]:
    """What was removed and is not to come back, and the damage of the ledger that says so.

    Raises InputError for an `again` that was not removed.
    """
    from bundlekeeper.jobs.store.removed import settled

    found, damage = settled(session, wait_s=wait_s)
    names = {
        key: {removal.place.rpartition("/")[2], f"{removal.family}/{removal.version}"} for key, removal in found.items()
    }
    unknown = [name for name in again if not any(name in known for known in names.values())]
    if unknown:
        removed_ones = ", ".join(sorted(f"{removal.family}/{removal.version}" for removal in found.values()))
        hint = f"removed are: {removed_ones}" if removed_ones else "nothing was removed from this store"
        raise InputError(f"--again: {', '.join(unknown)} was not removed", hint=hint)
    return {key: removal for key, removal in found.items() if not names[key] & {*again}}, damage


def _source(place: str, store: Path, loaded: Loaded, options: AddOptions) -> BundleSource:
    if "://" not in place:
        from bundlekeeper.store.adding.sources import FolderSource

        return FolderSource(Path(place), but=store)
    from bundlekeeper.links.http.client import read_headers
    from bundlekeeper.links.http.mirror import mirror_source
    from bundlekeeper.store.database.bundle_facts import facts_of

    return mirror_source(
        place,
        ca=options.ca,
        allow_hosts=options.allow_hosts,
        folders={facts.sha256: "/".join(facts.folder) for facts in facts_of(loaded.manifest)},
        headers=read_headers(options.headers) if options.headers else None,
        trust_env=options.trust_env,
    )
