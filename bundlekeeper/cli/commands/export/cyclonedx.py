"""`bundlekeeper export cyclonedx`: the firmware that is known, for auditors."""

from __future__ import annotations

from bundlekeeper.cli.commands.export.options import KeyOption, OutOption
from bundlekeeper.cli.options import DomainOption, PassphraseOption, SiteOption, StoreOption, caller, store_root
from bundlekeeper.cli.screen.exports.target import target
from bundlekeeper.findings import exit_status


def show(
    site: SiteOption = None,
    domain: DomainOption = None,
    out: OutOption = "-",
    key: KeyOption = None,
    passphrase_fd: PassphraseOption = None,
    store: StoreOption = None,
) -> int:
    """CycloneDX 1.6 (JSON): every bundle of the store, and every version that components run, with evidence."""
    from bundlekeeper.cli.screen.exports import cyclonedx as screen
    from bundlekeeper.jobs.exports.firmware import known_firmware
    from bundlekeeper.jobs.exports.origin import exporting
    from bundlekeeper.jobs.session import Session

    file = target(out, key, passphrase_fd)
    with Session(store_root(store), caller()) as session, exporting(session) as origin:
        found = known_firmware(session, site or (), domain or ())
    screen.show(found, origin, file)
    return exit_status(found.findings)
