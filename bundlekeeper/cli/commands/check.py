"""`bundlekeeper check`: prove the store, or any folder, against a manifest."""

from __future__ import annotations

import os
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.options import (
    JobsOption,
    JsonOption,
    QuietOption,
    StoreOption,
    now,
    progress_for,
    store_root,
    today,
)
from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import InputError, RefusedError, worst_exit
from bundlekeeper.findings import exit_status
from bundlekeeper.jobs.inputs import MANIFEST_LIMIT, read_bounded
from bundlekeeper.jobs.manifest_signature import SignatureOption, as_json, rule_on, signature_of, tell, voucher_of
from bundlekeeper.jobs.open import open_store, store_is_there

if TYPE_CHECKING:
    from datetime import date

    from bundlekeeper.findings import Finding
    from bundlekeeper.model.check_result import CheckResult
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.catalogue import Catalogue
    from bundlekeeper.store.database.rows import Accepted
    from bundlekeeper.store.signatures.voucher import Ruling, Voucher
    from bundlekeeper.store.verifying.check import CheckMeans, ReadingLimits


def check(
    manifest: Annotated[
        str | None,
        typer.Argument(metavar="[MANIFEST]", help="Default: the manifests that the store accepted. - is stdin."),
    ] = None,
    at: Annotated[
        Path | None, typer.Option("--at", metavar="DIR", help="Prove this folder, not the store.", readable=False)
    ] = None,
    quick: Annotated[
        bool, typer.Option("--quick", help="Trust what is unchanged since its last full proof; says how many.")
    ] = False,
    older_than: Annotated[
        str | None, typer.Option("--older-than", metavar="SPAN", help="Only what was not proven for so long: 30d, 12h.")
    ] = None,
    max_time: Annotated[
        str | None, typer.Option("--max-time", metavar="SPAN", help="Begin no file after so long: 10m. Stalest first.")
    ] = None,
    junit: Annotated[
        str | None, typer.Option("--junit", metavar="FILE", help="Also write JUnit XML to this file (- is stdout).")
    ] = None,
    signature: SignatureOption = None,
    ledger: Annotated[bool, typer.Option("--ledger", help="Check the record's chain, not the files.")] = False,
    head: Annotated[str, typer.Option("--head", metavar="HEX", help="With --ledger: a head printed earlier.")] = "",
    jobs: JobsOption = None,
    store: StoreOption = None,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Prove the store, or any folder, against a manifest: every byte is read unless you say otherwise.

    What is proven stays proven when you interrupt it; --older-than goes on from there.
    """
    if ledger or head:
        from bundlekeeper.cli.commands.ledger import check_ledger

        return check_ledger(store_root(store), head, json=json)
    if json and junit == "-":
        raise InputError("--json and --junit - would mix two documents on stdout", hint="--junit FILE writes to a file")
    from bundlekeeper.formats.durations import seconds
    from bundlekeeper.store.verifying.check import ReadingLimits

    limits = ReadingLimits(
        quick=quick,
        older_than_s=seconds(older_than) if older_than else None,
        max_time_s=seconds(max_time) if max_time else None,
        workers=jobs,
    )
    data = None if manifest is None else read_bounded(manifest, MANIFEST_LIMIT, "the manifest")
    root = store_root(store)
    signed = signature_of(manifest, signature) if manifest is not None else None
    given = Given(manifest or "", data, signed)
    result, found, ruling = _run(at, given, root, limits, quiet)
    subject = str(at if at else root)
    _junit(junit, subject, result)
    if json:
        output.envelope("check", found, {**_as_json(subject, result), "manifest_signature": as_json(ruling)})
    elif junit != "-":
        tell(ruling)
        _print(subject, result, found)
    return _status(result, found)


def _status(result: CheckResult, found: list[Finding]) -> int:
    statuses = [exit_status(found)]
    if result.stopped:
        statuses.append(SIGNALS.stopped().exit_code)
    if result.trouble is not None:
        statuses.append(result.trouble.exit_code)
    return worst_exit(statuses)


@dataclass(frozen=True, slots=True)
class Given:
    """The manifest that the user gave: its name, its bytes (None: none was given), its signature."""

    name: str
    data: bytes | None
    signature: bytes | None


def _run(
    at: Path | None, given: Given, root: Path, limits: ReadingLimits, quiet: bool
) -> tuple[CheckResult, list[Finding], Ruling]:
    """Check the folder or the store.

    Returns the result, all findings with those about the manifest itself, and the ruling on its signature.
    """
    from bundlekeeper.store.contents.manifest_dates import doubts, latest
    from bundlekeeper.store.signatures.voucher import NO_RULING
    from bundlekeeper.store.verifying.check import check_folder, check_store
    from bundlekeeper.store.verifying.expected import kept, read_listing

    with ExitStack() as stack:
        store, catalogue, record = None, None, False
        damage: list[Finding] = []
        # A folder can be proven against a manifest without any store; everything else needs one.
        if at is None or given.data is None or store_is_there(root):
            store, catalogue, record, damage = _opened(root, stack)
            if not record and at is None:
                output.aside("note: the store cannot be written here: what is proven now is not recorded")
        voucher = voucher_of(store)
        listing, found, ruling = None, [], NO_RULING
        accepted = catalogue.accepted() if catalogue is not None else []
        if given.data is not None:
            listing = read_listing(given.data, name=given.name, today=today(), store=store)
            ruling = rule_on(voucher, given.name, given.data, given.signature, listing.issued)
            found = list(listing.problems)
        elif store is not None and catalogue is not None:
            if at is not None:
                listing, found = kept(store, accepted)
                if found:
                    says = "the kept manifest cannot be relied on, so there is nothing to hold the folder against"
                    raise RefusedError(says, hint="name the manifest", problems=found)
                found = list(listing.problems) if listing is not None else []
            if accepted:
                ruling = voucher.rule_kept(store.fd, accepted[-1])
        subject = listing.subject if listing is not None else str(root)
        found = [
            *damage,
            *found,
            *ruling.findings,
            *doubts(subject, accepted, now(), listing.issued if listing else None),
        ]
        # A clock that is set back must not make an expired manifest look good.
        means = _means(stack, record, quiet, voucher, max(today(), latest(accepted, now()).date()))
        if at is not None and listing is not None:
            own = [each for each in (given.data, given.signature) if each is not None]
            result = check_folder(at, listing, means, limits, book=catalogue, own=own)
        elif store is not None and catalogue is not None and at is None:
            carried = _carried(store, accepted) if listing is None else None
            result = check_store(store, catalogue, listing, means, limits, carried=carried)
        else:
            raise InputError("there is nothing to check", hint="name a manifest, or a store that has accepted one")
        return result, [*found, *result.findings], ruling


def _opened(root: Path, stack: ExitStack) -> tuple[Store, Catalogue, bool, list[Finding]]:
    """The store and its catalogue, for writing where that is possible; and what was damaged of it."""
    from bundlekeeper.store.contents.repair import consulted, mended

    writable = os.access(root / ".keeper", os.W_OK, effective_ids=True)
    store = open_store(root, stack, write=writable)
    opening = mended(store, now, lock_for="check") if writable else consulted(store)
    catalogue, damage = stack.enter_context(opening)
    return store, catalogue, writable, damage


def _carried(store: Store, accepted: list[Accepted]) -> frozenset[str] | None:
    """What media sets were to bring here by the newest manifest; None where it came by none."""
    if not accepted or not (store.root / ".keeper/sets/received").is_dir():  # most need not pay for what reads sets
        return None
    from bundlekeeper.media.set.carried import carried

    return carried(store, accepted[-1].sha256)


def _means(stack: ExitStack, record: bool, quiet: bool, voucher: Voucher, day: date) -> CheckMeans:
    """The means of a check; until the stack unwinds, the first Ctrl-C lets the work end by itself."""
    from bundlekeeper.store.verifying.check import CheckMeans
    from bundlekeeper.verification.hashing.read import Stop

    stop = Stop()
    stack.enter_context(SIGNALS.guarded(stop))
    return CheckMeans(
        clock=now,
        progress=progress_for(quiet),
        stop=stop,
        record=record,
        max_age_s=voucher.max_proof_age_s,
        today=day,
        voucher=voucher,
    )


def _junit(file: str | None, subject: str, result: CheckResult) -> None:
    if file is None:
        return
    from bundlekeeper.cli.screen.user_files import TEST_REPORT, write_new
    from bundlekeeper.reports.junit import document

    write_new(file, document(result, name=subject, at=now()), force=True, kind=TEST_REPORT)


def _as_json(subject: str, result: CheckResult) -> dict[str, Any]:
    rows = [
        {
            "file": row.name,
            "family": row.family,
            "version": row.version,
            "place": row.place,
            "status": row.status.value,
            "size_bytes": row.size,
            "expected_size_bytes": row.expected_size,
            "expected_sha256": row.expected,
            "found_sha256": row.found,
            "proven_at": row.proven_at.isoformat() if row.proven_at else None,
            "signature": row.signature,
            "signed_by": row.signed_by,
            "says": row.says,
        }
        for row in result.rows
    ]
    counts = {
        "proven": result.proven,
        "trusted": result.trusted,
        "skipped": result.skipped,
        "not_proven": result.unproven,
        "files_read": result.files_read,
        "bytes_read": result.bytes_read,
        "signatures_good": result.signatures_good,
        "signatures_not_good": result.signatures_bad,
        "signatures_not_looked_at": result.signatures_unseen,
    }
    ends = {"stopped": result.stopped, "out_of_time": result.out_of_time, "untrusted_because": result.untrusted_because}
    return {"subject": subject, "rows": rows, "counts": counts, **ends}


def _print(subject: str, result: CheckResult, found: list[Finding]) -> None:
    from bundlekeeper.formats.escape import human_bytes
    from bundlekeeper.model.check_result import Status
    from bundlekeeper.reports.tables import Table, write

    table = Table(
        ("status", "family", "version", "size", "last proof", "file"), right=frozenset({3}), below=frozenset({5})
    )
    for row in result.rows:
        size = row.size if row.size is not None else row.expected_size
        unread = "not read now" if row.status is Status.UNPROVEN else "-"
        proven = row.proven_at.strftime("%Y-%m-%d %H:%MZ") if row.proven_at else unread
        place = row.place or row.name
        cells = (row.status.value, row.family or "-", row.version or "-", human_bytes(size or 0), proven, place)
        table.rows.append(cells)
    write(table)
    output.folded_text(found)
    if result.untrusted_because:
        output.line(f"--quick trusted nothing here: {result.untrusted_because}")
    output.line(_summary(subject, result))
    if result.trouble is not None:
        output.aside(f"error: proofs could not be recorded: {result.trouble.says}")
        if result.trouble.hint:
            output.aside(f"hint: {result.trouble.hint}")
    if result.stopped or result.out_of_time:
        output.aside("next: the same command with --older-than 1h goes on from here")


def _summary(subject: str, result: CheckResult) -> str:
    """Counts by status, in the statuses' order; what was not read is always among them, zero or not."""
    from collections import Counter

    from bundlekeeper.formats.escape import human_bytes
    from bundlekeeper.model.check_result import Status

    counts = Counter(row.status for row in result.rows)
    words = [f"{counts[Status.OK]} proven now"]
    words += [f"{number} {status.value}" for status in Status if status is not Status.OK and (number := counts[status])]
    read = f"{human_bytes(result.bytes_read)} read"
    return f"{subject}: {', '.join(words)}; {result.unproven} not proven; {_signatures(result)}{read}"


def _signatures(result: CheckResult) -> str:
    """How the signatures stand that are stated or wanted; empty where none is."""
    good, bad, unseen = result.signatures_good, result.signatures_bad, result.signatures_unseen
    return f"signatures: {good} good, {bad} not good, {unseen} not looked at; " if good or bad or unseen else ""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check")(check)
