"""The keys that signatures are verified with, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.tables import Column, write

if TYPE_CHECKING:
    from datetime import date

    from bundlekeeper.jobs.trust import TrustedKeys
    from bundlekeeper.model.trust import TrustEntry


def show_added(found: TrustedKeys, *, form: OutputForm) -> None:
    """The new entry, its fingerprint, and the findings on it."""
    (entry,) = found.entries
    if form is OutputForm.JSON:
        data = {"store": str(found.root), "entry": _as_json(entry, found.today)}
        output.envelope("trust-add", found.findings, data)
        return
    output.line(f"trusted: {entry.name} ({entry.key_type}, {entry.form}) for {' and '.join(entry.purposes)}")
    output.line(f"fingerprint: {entry.fingerprint}")
    output.findings_text(found.findings)
    output.aside("next: compare the fingerprint with one from another channel; bundlekeeper trust list")


def show_list(found: TrustedKeys, *, form: OutputForm) -> None:
    """A table of the entries, and the errors of those that could not be read."""
    if form is OutputForm.JSON:
        broken = [{"message": e.message, "where": e.where, "hint": e.hint} for e in found.broken]
        data = {"store": str(found.root), "entries": [_as_json(entry, found.today) for entry in found.entries]}
        output.envelope("trust-list", [], {**data, "broken": broken}, ok=not broken)
        return
    if found.entries:
        write(_columns(found.today), found.entries)
    else:
        output.line("no key is trusted")
        output.aside("next: bundlekeeper trust add NAME FILE --form FORM --for PURPOSE")
    for error in found.broken:
        output.error_text(error)


def _columns(today: date) -> tuple[Column[TrustEntry], ...]:
    return (
        Column("name", lambda entry: entry.name),
        Column("state", lambda entry: entry.status_on(today)),
        Column("form", lambda entry: entry.form),
        Column("for", lambda entry: ", ".join(entry.purposes)),
        Column("key", lambda entry: entry.key_type),
        Column("valid", _days),
        Column("fingerprint", lambda entry: entry.fingerprint, below=True),
    )


def _days(entry: TrustEntry) -> str:
    return f"{entry.valid_from or ''}..{entry.valid_until or ''}" if entry.valid_from or entry.valid_until else "-"


def show_removed(found: TrustedKeys, *, form: OutputForm) -> None:
    """The entries of the removed key, and whose chains ended at it."""
    if form is OutputForm.JSON:
        data = {"entries": [_as_json(entry, found.today) for entry in found.entries], "was_root_of": found.was_root_of}
        output.envelope("trust-remove", [], {"store": str(found.root), **data})
        return
    for entry in found.entries:
        output.line(f"removed: {entry.name} ({entry.fingerprint}): {entry.removed_reason}")
    if found.was_root_of:
        output.aside(f"note: it is a root of {', '.join(found.was_root_of)}: chains that end at it are no longer good")
    output.aside("next: bundlekeeper verify reports what it signed")


def show_renewed(found: TrustedKeys, *, form: OutputForm) -> None:
    """How many revocation lists the entry has now."""
    (entry,) = found.entries
    if form is OutputForm.JSON:
        output.envelope("trust-crl", [], {"store": str(found.root), "entry": _as_json(entry, found.today)})
        return
    output.line(f"{entry.name}: {len(entry.crls)} revocation lists")
    output.aside("next: bundlekeeper verify reports what was revoked")


def _as_json(entry: TrustEntry, today: date) -> dict[str, Any]:
    return {
        "name": entry.name,
        "state": entry.status_on(today),
        "form": entry.form,
        "for": list(entry.purposes),
        "key_type": entry.key_type,
        "fingerprint": entry.fingerprint,
        "namespace": entry.namespace,
        "valid_from": entry.valid_from.isoformat() if entry.valid_from else None,
        "valid_until": entry.valid_until.isoformat() if entry.valid_until else None,
        "roots": len(entry.roots),
        "crls": len(entry.crls),
        "added_at": entry.added_at.isoformat() if entry.added_at else None,
        "added_from": entry.added_from,
        "removed_at": entry.removed_at.isoformat() if entry.removed_at else None,
        "removed_reason": entry.removed_reason,
    }
