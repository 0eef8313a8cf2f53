"""`bundlekeeper store add`: a manifest's bundles into the store, verified."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    DryRunOption,
    ExpiredOption,
    JsonOption,
    QuietOption,
    SignatureOption,
    StoreOption,
    WaitOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import EXIT_REFUSED, InputError, worst_exit
from bundlekeeper.findings import exit_status

FromOption = Annotated[
    list[str], typer.Option("--from", metavar="DIR|URL", help="Folder or http(s) mirror; repeatable.")
]
LinkOption = Annotated[
    str,
    typer.Option(
        "--link",
        metavar="[=hard]",
        help="Share the source's blocks if the file system can; =hard: be the very file of the source.",
        show_default=False,
    ),
]
RollbackOption = Annotated[
    str | None, typer.Option("--allow-rollback", metavar="REASON", help="Use an older manifest; recorded.")
]
CaOption = Annotated[Path | None, typer.Option("--ca", metavar="FILE", help="CA certificates for https, as PEM.")]
HostOption = Annotated[
    list[str] | None,
    typer.Option("--allow-host", metavar="HOST", help="A host that a redirect may lead to; repeatable."),
]
HeadersOption = Annotated[
    Path | None, typer.Option("--headers", metavar="FILE", help="Header lines for the mirror (a token); mode 0600.")
]
AgainOption = Annotated[
    list[str] | None,
    typer.Option("--again", metavar="FAMILY/VERSION", help="Bring back this bundle, which was removed; repeatable."),
]
TrustEnvOption = Annotated[bool, typer.Option("--trust-env", help="Use proxies and netrc of the environment.")]


def add(
    manifest: Annotated[str, typer.Argument(metavar="MANIFEST", help="The manifest's file, or - for stdin.")],
    source: FromOption,
    link: LinkOption = "none",
    dry_run: DryRunOption = False,
    wait: WaitOption = 60,
    allow_expired: ExpiredOption = None,
    allow_rollback: RollbackOption = None,
    ca: CaOption = None,
    allow_host: HostOption = None,
    headers: HeadersOption = None,
    trust_env: TrustEnvOption = False,
    again: AgainOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Add a manifest's bundles to the store: each is read once, verified, and put in place whole or not at all."""
    from bundlekeeper.cli.screen.answers import add as screen
    from bundlekeeper.jobs.manifest_signature import given_manifest
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.store.add import LINKS, AddOptions
    from bundlekeeper.jobs.store.add import add as job
    from bundlekeeper.model.stop import Stop

    if link not in LINKS:
        raise InputError(
            f"--link has no such value: {link}", hint="--link (share blocks) or --link=hard (the very file)"
        )
    options = AddOptions(
        tuple(source),
        link=link,
        dry_run=dry_run,
        wait_s=wait,
        allow_expired=allow_expired,
        allow_rollback=allow_rollback,
        ca=ca,
        allow_hosts=tuple(allow_host or ()),
        headers=headers,
        trust_env=trust_env,
        again=tuple(again or ()),
    )
    given = given_manifest(manifest, signature)
    stop = Stop()
    with SIGNALS.guarded(stop), Session(store_root(store), caller(quiet=quiet), write=not dry_run) as session:
        found = job(session, given, options, stop)
    if json:
        screen.show_json(found)
    else:
        screen.show_text(found)
    return worst_exit([exit_status(found.findings), EXIT_REFUSED if found.refused else 0])
