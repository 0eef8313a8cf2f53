"""The keys and certificates that signatures are verified with.

Rules: the list is the store's, changed under its lock; a key never comes from a medium or a manifest, only from a file
that the user names; no entry is deleted: a removed one stays listed, so that its signatures are not reported as an
unknown key's.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.formats import limits
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager
    from datetime import date

    from bundlekeeper.errors import KeeperError
    from bundlekeeper.findings import Finding
    from bundlekeeper.model.trust import TrustEntry

_WAIT_S = 60.0


@dataclass(frozen=True, slots=True)
class TrustOptions:
    """A new entry: its files, its one form of signature, its purposes, its days."""

    name: str
    file: Path
    form: str
    purposes: tuple[str, ...]
    valid_from: date | None = None
    valid_until: date | None = None
    namespace: str = ""
    roots: tuple[Path, ...] = ()
    intermediates: tuple[Path, ...] = ()
    crls: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class TrustedKeys:
    """Entries of the list, each with its state on the day `today`, and an error for each that could not be read.

    `was_root_of` names the live entries whose chains end at a key that was removed.
    """

    root: Path
    today: date
    entries: Sequence[TrustEntry]
    broken: Sequence[KeeperError] = ()
    findings: Sequence[Finding] = ()
    was_root_of: Sequence[str] = ()


def add_key(session: Session, options: TrustOptions) -> TrustedKeys:
    """Trust a key or certificate. Raises InputError for files or words that make no entry; as `Store.open`."""
    from bundlekeeper.store.signatures import trust_list
    from bundlekeeper.verification.keys.entries import Sources, doubts_of, make_entry

    sources = Sources(
        read_bounded(str(options.file), limits.KEY_BYTES, "the key"),
        [read_bounded(str(file), limits.CERTIFICATES_BYTES, "the root certificate") for file in options.roots],
        [
            read_bounded(str(file), limits.CERTIFICATES_BYTES, "the intermediate certificate")
            for file in options.intermediates
        ],
        [read_bounded(str(file), limits.CRL_BYTES, "the revocation list") for file in options.crls],
    )
    with _locked(session, "trust add"):
        entry = make_entry(
            options.name,
            sources,
            form=options.form,
            purposes=options.purposes,
            existing=trust_list.read_all(session.store.fd).entries,
            namespace=options.namespace,
            valid_from=options.valid_from,
            valid_until=options.valid_until,
            added_at=session.now(),
            added_from=str(options.file),
        )
        trust_list.add(session.store.fd, entry)
        session.store.database(
            write=True
        ).close()  # a store with nothing but keys is a whole store, for `store list` as well
    return TrustedKeys(session.root, session.today(), [entry], findings=doubts_of(entry, session.now()))


def list_keys(session: Session) -> TrustedKeys:
    """Every trusted key, and every removed one. Raises as `Store.open`."""
    from bundlekeeper.store.signatures import trust_list

    listed = trust_list.read_all(session.store.fd)
    return TrustedKeys(session.root, session.today(), listed.entries, listed.broken)


def remove_key(session: Session, key: str, reason: str) -> TrustedKeys:
    """Stop trusting the key with this name or fingerprint, under any name. Raises InputError; as `Store.open`."""
    from bundlekeeper.store.signatures import trust_list
    from bundlekeeper.verification.keys.entries import root_keys

    with _locked(session, "trust remove"):
        entries = trust_list.remove(session.store.fd, key, at=session.now(), reason=reason)
        live = [entry for entry in trust_list.read_all(session.store.fd).entries if not entry.removed]
    chained = [entry.name for entry in live if entries[0].fingerprint in root_keys(entry)]
    return TrustedKeys(session.root, session.today(), entries, was_root_of=chained)


def renew_revocations(session: Session, name: str, files: Sequence[Path]) -> TrustedKeys:
    """Give the entry newer revocation lists. Raises InputError for what is none, or not there; as `Store.open`."""
    from bundlekeeper.store.signatures import trust_list
    from bundlekeeper.verification.keys.entries import with_crls

    data = [read_bounded(str(file), limits.CRL_BYTES, "the revocation list") for file in files]
    with _locked(session, "trust crl"):
        entry = with_crls(trust_list.read_all(session.store.fd).get(name), data)
        trust_list.renew(session.store.fd, entry)
    return TrustedKeys(session.root, session.today(), [entry])


def _locked(session: Session, command: str) -> AbstractContextManager[None]:
    """The store's lock, in the name of the command."""
    from bundlekeeper.store.disk import lock

    return lock.held(session.store.fd, command, clock=session.now, wait_s=_WAIT_S)
