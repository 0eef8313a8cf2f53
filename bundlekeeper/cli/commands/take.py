"""`bundlekeeper take`: a manifest's bundles into the store, proven."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from bundlekeeper.cli.options import JsonOption, QuietOption, StoreOption, now, progress_for, store_root, today
from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import EXIT_REFUSED, InputError, worst_exit
from bundlekeeper.findings import exit_status
from bundlekeeper.jobs.inputs import load_manifest
from bundlekeeper.jobs.manifest_signature import SignatureOption, as_json, signature_of, tell
from bundlekeeper.jobs.open import open_store, store_is_there
from bundlekeeper.model.lint import but_of_bundles

if TYPE_CHECKING:
    from bundlekeeper.findings import Finding
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.store.adding.sources import BundleSource, Link
    from bundlekeeper.store.adding.take import TakeResult
    from bundlekeeper.store.contents.store import Store

_LINKS = ("none", "reflink", "hard")


FromOption = Annotated[
    list[str], typer.Option("--from", metavar="DIR|URL", help="Folder or http(s) mirror; may be given again.")
]
LinkOption = Annotated[
    str,
    typer.Option(
        "--link",
        metavar="[=hard]",
        help="Share the source's blocks where the file system can; with =hard be the very file of the source.",
        show_default=False,
    ),
]
DryRunOption = Annotated[bool, typer.Option("--dry-run", help="Say what would be done and change nothing.")]
WaitOption = Annotated[int, typer.Option("--wait", min=0, metavar="SECONDS", help="How long to wait for the lock.")]
ExpiredOption = Annotated[
    str | None, typer.Option("--accept-expired", metavar="WHY", help="Take by an expired manifest; recorded.")
]
RollbackOption = Annotated[
    str | None, typer.Option("--accept-rollback", metavar="WHY", help="Take by an older manifest; recorded.")
]
CaOption = Annotated[Path | None, typer.Option("--ca", metavar="FILE", help="CA certificates for https, as PEM.")]
HostOption = Annotated[
    list[str] | None, typer.Option("--allow-host", metavar="HOST", help="A host that a redirect may lead to.")
]
HeadersOption = Annotated[
    Path | None, typer.Option("--headers", metavar="FILE", help="Header lines for the mirror (a token); mode 0600.")
]
TrustEnvOption = Annotated[bool, typer.Option("--trust-env", help="Let proxies and netrc of the environment count.")]


def take(
    manifest: Annotated[str, typer.Argument(metavar="MANIFEST", help="The manifest's file, or - for stdin.")],
    source: FromOption,
    link: LinkOption = "none",
    dry_run: DryRunOption = False,
    wait: WaitOption = 60,
    accept_expired: ExpiredOption = None,
    accept_rollback: RollbackOption = None,
    ca: CaOption = None,
    allow_host: HostOption = None,
    headers: HeadersOption = None,
    trust_env: TrustEnvOption = False,
    signature: SignatureOption = None,
    store: StoreOption = None,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Take a manifest's bundles into the store: each is read once, proven, and put in place whole or not at all."""
    from bundlekeeper.store.adding.take import take as take_in
    from bundlekeeper.verification.hashing.read import Stop

    if link not in _LINKS:
        raise InputError(f"no such way to link: {link}", hint="--link (share blocks) or --link=hard (the very file)")
    loaded = load_manifest(manifest, today())
    root = store_root(store)
    web = Web(ca, tuple(allow_host or ()), headers, trust_env)
    sources = [_source(each, root, loaded, web) for each in source]
    stop = Stop()
    with ExitStack() as stack:
        opened = _opened(root, stack, dry_run=dry_run)
        stack.enter_context(SIGNALS.guarded(stop))
        result = take_in(
            opened,
            loaded,
            sources,
            clock=now,
            progress=progress_for(quiet),
            link=cast("Link", link),
            stop=stop,
            wait_s=wait,
            dry_run=dry_run,
            accept_expired=accept_expired,
            accept_rollback=accept_rollback,
            signature=signature_of(manifest, signature),
        )
    found = [*but_of_bundles(loaded.problems), *result.findings]
    if json:
        output.envelope("take", found, _as_json(str(root), result))
    else:
        _print(str(root), result, found)
    return _status(result, found)


def _status(result: TakeResult, found: list[Finding]) -> int:
    refused = any(row.status == "refused" for row in result.rows)
    return worst_exit([exit_status(found), EXIT_REFUSED if refused else 0])


def _opened(root: Path, stack: ExitStack, *, dry_run: bool) -> Store | None:
    """The store, made where absent; a dry run makes none and does with none."""
    if dry_run and not store_is_there(root):
        return None
    return open_store(root, stack, write=not dry_run)


@dataclass(frozen=True, slots=True)
class Web:
    """How mirrors are spoken to."""

    ca: Path | None
    allow_hosts: tuple[str, ...]
    headers: Path | None
    trust_env: bool


def _source(text: str, store: Path, loaded: Loaded, web: Web) -> BundleSource:
    if "://" not in text:
        from bundlekeeper.store.adding.sources import FolderSource

        return FolderSource(Path(text), but=store)
    from bundlekeeper.links.http.client import read_headers
    from bundlekeeper.links.http.mirror import mirror_source
    from bundlekeeper.store.database.bundle_facts import facts_of

    return mirror_source(
        text,
        ca=web.ca,
        allow_hosts=web.allow_hosts,
        folders={each.sha256: "/".join(each.folder) for each in facts_of(loaded.manifest)},
        headers=read_headers(web.headers) if web.headers else None,
        trust_env=web.trust_env,
    )


def _as_json(root: str, result: TakeResult) -> dict[str, Any]:
    rows = [
        {
            "family": row.family,
            "version": row.version,
            "file": row.name,
            "place": row.place,
            "status": row.status,
            "size_bytes": row.size,
            "read_bytes": row.read_bytes,
            "way_in": row.way_in,
            "from": row.came_from,
            "note": row.note,
            "signature": row.signature,
        }
        for row in result.rows
    ]
    counts = {**result.counts, "bundles": len(rows), "read_bytes": result.read_bytes}
    signed = as_json(result.manifest)
    return {"store": root, "dry_run": result.dry_run, "manifest_signature": signed, "bundles": rows, "counts": counts}


def _print(root: str, result: TakeResult, found: list[Finding]) -> None:
    from bundlekeeper.formats.escape import human_bytes
    from bundlekeeper.reports.tables import Table, write

    table = Table(
        ("status", "family", "version", "size", "file", "note"), right=frozenset({3}), below=frozenset({4, 5})
    )
    for row in result.rows:
        way = "" if row.way_in in {"", "copy", row.status.replace(" ", "-")} else row.way_in
        note = ", ".join(part for part in (way, row.note) if part)
        table.rows.append((row.status, row.family, row.version, human_bytes(row.size), row.name, note))
    tell(result.manifest)
    write(table)
    output.folded_text(found)
    counts = ", ".join(f"{number} {status}" for status, number in sorted(result.counts.items()))
    would = "would be: " if result.dry_run else ""
    output.line(f"{would}{counts or 'nothing to take'}; {human_bytes(result.read_bytes)} read; store: {root}")
    if not result.dry_run:
        output.aside("next: bundlekeeper held")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("take")(take)
