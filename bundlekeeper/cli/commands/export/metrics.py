"""`bundlekeeper export metrics`: figures of the store and the ledger, for monitoring."""

from __future__ import annotations

from bundlekeeper.cli.commands.export.options import KeyOption, OutOption
from bundlekeeper.cli.options import PassphraseOption, StoreOption, caller, store_root
from bundlekeeper.cli.screen.exports.target import target
from bundlekeeper.cli.screen.user_files import METRICS
from bundlekeeper.findings import exit_status


def show(
    out: OutOption = "-",
    key: KeyOption = None,
    passphrase_fd: PassphraseOption = None,
    store: StoreOption = None,
) -> int:
    """OpenMetrics text, for a collector that reads files: --out replaces an older file of metrics, whole."""
    from bundlekeeper.cli.screen.exports import metrics as screen
    from bundlekeeper.jobs.exports.figures import figures
    from bundlekeeper.jobs.exports.origin import exporting
    from bundlekeeper.jobs.session import Session

    file = target(out, key, passphrase_fd, replaces=METRICS)
    with Session(store_root(store), caller()) as session, exporting(session) as origin:
        found = figures(session, origin)
    screen.show(found, origin, file)
    return exit_status(found.attention.findings)
