"""`bundlekeeper held`: what the store holds, by family."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.common import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.open import opened_store

if TYPE_CHECKING:
    from datetime import datetime

    from bundlekeeper.reports.tables import Table
    from bundlekeeper.store.contents.right_now import Holding
    from bundlekeeper.store.database.rows import Accepted

_FAMILIES = ("infrastructure", "blade", "rack")

FamilyOption = Annotated[
    str | None, typer.Option("--family", metavar="FAMILY", help="Only infrastructure, blade or rack.")
]

ExceptionsOption = Annotated[
    bool, typer.Option("--exceptions", help="Also what was accepted against the rules, and why.")
]


def held(
    family: FamilyOption = None,
    exceptions: ExceptionsOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """What the store holds, by family: version, size, images, when and how proven, standing."""
    from bundlekeeper.store.contents.manifest_dates import stands
    from bundlekeeper.store.contents.repair import consulted
    from bundlekeeper.store.contents.right_now import findings_of, holdings
    from bundlekeeper.store.signatures.voucher import read_acceptance

    if family is not None and family not in _FAMILIES:
        raise InputError(f"no such family: {family}", hint=f"one of {', '.join(_FAMILIES)}")
    root = store_root(store)
    with opened_store(root, write=False) as opened, consulted(opened) as (catalogue, found):
        rows = sorted(holdings(opened, catalogue, now(), family), key=_place_in_list)
        acceptance = read_acceptance(opened.fd)
        found += findings_of(rows, now(), acceptance.max_proof_age_s if acceptance else None)
        manifests, let_through = catalogue.accepted(), catalogue.exceptions()
        found += stands(manifests, now())
    if json:
        data = {"store": str(root), "bundles": [_as_json(r) for r in rows], "counts": _counts(rows)}
        data |= {"manifests": [_manifest_as_json(each) for each in manifests]}
        data |= {"exceptions": [_exception_as_json(each) for each in let_through]}
        output.envelope("held", found, data)
    else:
        _print(str(root), rows)
        if exceptions:
            _print_exceptions(let_through)
        output.folded_text(found)
    return exit_status(found)


def _manifest_as_json(row: Accepted) -> dict[str, Any]:
    return {
        "platform": row.platform,
        "sequence": row.sequence,
        "sha256": row.sha256,
        "place": row.place,
        "issued": row.issued.isoformat(),
        "expires": row.expires.isoformat() if row.expires else None,
        "accepted_at": row.accepted_at.isoformat(),
        "signed_by": row.signed_by,
        "signed_key": row.signed_key,
    }


def _exception_as_json(row: tuple[datetime, str, str, str]) -> dict[str, Any]:
    at, what, subject, why = row
    return {"at": at.isoformat(), "what": what, "subject": subject, "why": why}


def _print_exceptions(rows: list[tuple[datetime, str, str, str]]) -> None:
    for at, what, subject, why in rows:
        output.line(f"exception: {at:%Y-%m-%d %H:%MZ}: {what}: {subject}: {why}")
    if not rows:
        output.line("no exceptions were made")


def _place_in_list(row: Holding) -> tuple[Any, ...]:
    """By family, then by version in natural order (what that cannot place comes last, as text), then by name."""
    from bundlekeeper.errors import VersionError
    from bundlekeeper.model.versions import order

    family = _FAMILIES.index(row.held.family)
    try:
        return family, 0, order("natural").key(row.held.version), row.held.name
    except VersionError:
        return family, 1, row.held.version, row.held.name


def _counts(rows: list[Holding]) -> dict[str, int]:
    proven = sum(r.state == "proven" for r in rows)
    return {
        "held": len(rows),
        "proven": proven,
        "not_proven": len(rows) - proven,
        "bytes": sum(r.held.size for r in rows),
    }


def _as_json(row: Holding) -> dict[str, Any]:
    bundle = row.held
    return {
        "family": bundle.family,
        "version": bundle.version,
        "file": bundle.name,
        "place": bundle.place,
        "size_bytes": bundle.size,
        "sha256": bundle.sha256,
        "standing": bundle.standing,
        "why": bundle.why,
        "build": bundle.build,
        "released": bundle.released.isoformat() if bundle.released else None,
        "platform": bundle.platform,
        "sequence": bundle.sequence,
        "digest_from": bundle.digest_from,
        "taken_at": bundle.taken_at.isoformat(),
        "taken_from": bundle.taken_from,
        "way_in": bundle.way_in,
        "shared": bundle.shared,
        "state": row.state,
        "says": row.says,
        "proven_at": row.proof.proven_at.isoformat() if row.proof else None,
        "images": [{"kind": i.kind, "models": list(i.models), "version": i.version} for i in bundle.images],
    }


def _print(root: str, rows: list[Holding]) -> None:
    from bundlekeeper.formats.escape import human_bytes
    from bundlekeeper.reports.tables import write

    output.line(f"store: {root}")
    if not rows:
        output.line("nothing is held")
        output.aside("next: bundlekeeper take MANIFEST --from DIR")
        return
    write(_table(rows))
    counts = _counts(rows)
    output.line(
        f"{counted(counts['held'], 'bundle')}, {human_bytes(counts['bytes'])}; {counts['proven']} proven, "
        f"{counts['not_proven']} not proven"
    )


def _table(rows: list[Holding]) -> Table:
    from bundlekeeper.formats.escape import human_bytes
    from bundlekeeper.reports.tables import Table

    table = Table(("family", "version", "size", "images", "standing", "proof", "proven", "file", "digest from"))
    table.right, table.below = frozenset({2, 3}), frozenset({7, 8})
    for row in rows:
        bundle = row.held
        table.rows.append(
            (
                bundle.family + (f" ({bundle.build})" if bundle.build == "standalone" else ""),
                bundle.version,
                human_bytes(bundle.size),
                str(len(bundle.images)),
                bundle.standing,
                row.state + (", shared" if bundle.shared else ", same bytes" if bundle.way_in == "same-bytes" else ""),
                row.proof.proven_at.strftime("%Y-%m-%d %H:%MZ") if row.proof else "-",
                bundle.name,
                bundle.digest_from or "not stated",
            )
        )
    return table


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("held")(held)
