"""What of the store needs attention: its files, quarantine, the dates of its manifest, damage.

Rules: no bundle is read; what `store list` finds is what counts here; what is in quarantine is a note while a verified
good copy is in the store, else an error.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import shell_word
from bundlekeeper.jobs.attention.items import Concern, Matter

if TYPE_CHECKING:
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.store.listing import StoreList
    from bundlekeeper.store.contents.quarantine import QuarantinedBytes

SOON = timedelta(days=30)  # common practice: a month's notice
_VERIFY = "bundlekeeper verify"
_LIST = "bundlekeeper store list"
_QUARANTINED = Matter("file in quarantine", "files in quarantine", f"{_LIST} --quarantine")
_EXPIRING = Matter("manifest expires soon", "manifests expire soon", "bundlekeeper store add MANIFEST --from DIR")
#: By code of `store list`; any other code has a matter of its own.
_MATTERS: Mapping[str, Matter] = {
    "missing": Matter("bundle missing", "bundles missing", _LIST),
    "unverified": Matter("bundle not verified", "bundles not verified", _VERIFY),
    "stale-verification": Matter("bundle verified too long ago", "bundles verified too long ago", _VERIFY),
    "withdrawn": Matter("withdrawn bundle in the store", "withdrawn bundles in the store", f"{_LIST} --unneeded"),
    "expired": Matter("manifest expired", "manifests expired", _EXPIRING.command),
    "self-digest": Matter("digest from the file itself", "digests from the files themselves",
                          "bundlekeeper manifest confirm MANIFEST --against LIST"),
    "writable-by-others": Matter("file that others may write", "files that others may write", _LIST),
    "clock-doubtful": Matter("doubt about this machine's clock", "doubts about this machine's clock", _LIST),
    "damaged": Matter("part of the store damaged", "parts of the store damaged", _VERIFY),
}  # fmt: skip


def concerns(session: Session, found: StoreList) -> Iterator[Concern]:
    """What the store has, by what `store list` found. Raises as `quarantine.listed`."""
    for problem in found.findings:
        yield Concern(problem, _MATTERS.get(problem.code) or Matter(problem.code, problem.code, _LIST))
    for wrong in found.quarantine:
        yield Concern(of_quarantine(wrong, found), _QUARANTINED, wrong.when.date() if wrong.when else None)
    yield from (Concern(expiring, _EXPIRING) for expiring in _expiring(session, found))


def of_quarantine(wrong: QuarantinedBytes, found: StoreList) -> Finding:
    """The finding of what is in quarantine: a note where a verified good copy is in the store."""
    good = found.good_copies.get(wrong.expected, "")
    subject = wrong.bundle or wrong.place
    message = f"{wrong.what}; {'kept as' if wrong.kept else 'not kept; see'} {wrong.files[0]}"
    if good:
        names = " ".join(shell_word(str(found.root / name)) for name in wrong.files)
        hint = f"a good copy is in the store: {good}. When nobody needs the wrong bytes: rm {names}"
        return finding("quarantined", subject, message, hint, Level.NOTE)
    hint = "no good copy is in the store: bundlekeeper store add MANIFEST --from DIR"
    return finding("quarantined", subject, message, hint, Level.ERROR)


def _expiring(session: Session, found: StoreList) -> Iterator[Finding]:
    from bundlekeeper.store.contents.manifest_dates import called, latest

    if not found.manifests:
        return
    newest = found.manifests[-1]
    today = latest(found.manifests, session.now()).date()
    if newest.expires is not None and today <= newest.expires <= today + SOON:
        message = f"expires on {newest.expires}, {(newest.expires - today).days} days from now"
        yield finding("expires-soon", called(newest), message, "ask its publisher for the next one")
