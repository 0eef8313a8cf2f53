"""`bundlekeeper manifest`: draft, lint, show, confirm a manifest; print its JSON Schema.

Rules: a file is written whole or not at all (temporary file beside it, fsync, rename); an existing file is replaced
only where the user named it for that; `-` is stdin or stdout.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bundlekeeper.cli.commands.signing import sign
from bundlekeeper.cli.options import JsonOption, QuietOption, StoreOption, store_root, today
from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.user_files import MANIFEST, SCHEMA, write_new, write_over
from bundlekeeper.errors import InputError, KeeperError, UnfinishedError, worst_exit
from bundlekeeper.findings import exit_status
from bundlekeeper.formats import limits
from bundlekeeper.jobs.inputs import MANIFEST_LIMIT, read_bounded
from bundlekeeper.jobs.manifest_signature import SignatureOption, rule_on, signature_of, tell, voucher_of
from bundlekeeper.jobs.manifest_signature import as_json as signed_as_json
from bundlekeeper.jobs.open import opened_store, store_is_there

if TYPE_CHECKING:
    from bundlekeeper.findings import Finding
    from bundlekeeper.jobs.draft import Gathered
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.model.manifest.draft import AmendReport
    from bundlekeeper.store.signatures.voucher import Ruling

app = typer.Typer(
    help="Draft, lint, show, confirm and sign a manifest; print its JSON Schema.",
    rich_markup_mode=None,
)

ManifestArgument = Annotated[str, typer.Argument(metavar="MANIFEST", help="The manifest's file, or - for stdin.")]
OutputOption = Annotated[
    str, typer.Option("--output", "-o", metavar="FILE", help="Write to this new file instead of stdout.")
]
ForceOption = Annotated[bool, typer.Option("--force", "-f", help="Let --output replace an existing file.")]


@app.command()
def draft(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="Bundle files, folders of them, or checksum lists as published."),
    ],
    platform: Annotated[
        str | None, typer.Option("--platform", metavar="NAME", help="The platform's name: lower case, digits, hyphens.")
    ] = None,
    into: Annotated[
        str | None,
        typer.Option(
            "--into", metavar="MANIFEST", help="Fill digests and sizes into this manifest; keep its comments."
        ),
    ] = None,
    out: OutputOption = "-",
    force: ForceOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """A first manifest from files at hand, or from a published checksum list; then review it and lint it.

    Digests computed from the files are marked "own copy": `manifest confirm` takes the mark away when the publisher's
    own list agrees.
    """
    from bundlekeeper.jobs.draft import checked_platform, gather, tell_passed_over
    from bundlekeeper.model.manifest.draft import fill

    name = checked_platform(platform)
    gathered = gather(files, quiet=quiet)
    tell_passed_over(gathered)
    try:
        if into is None:
            return _drafted(gathered, _draft_text(gathered, name), out, force, json)
        old = read_bounded(into, MANIFEST_LIMIT, "the manifest")
        text, report = fill(_text(old, into), gathered.entries, name=into)
        write_over(into, text, old)
    except KeeperError as error:
        error.problems = (*gathered.findings, *error.problems)
        raise
    return _amended("manifest-draft", into, report, gathered.findings, json)


def _draft_text(gathered: Gathered, platform: str) -> str:
    from bundlekeeper.model.manifest.draft import OWN_COPY
    from bundlekeeper.model.manifest.draft import draft as draft_text

    return draft_text(gathered.entries, platform=platform, issued=today(), digest_from=OWN_COPY)


def _drafted(gathered: Gathered, text: str, out: str, force: bool, json: bool) -> int:
    """Write a new draft and say so; under --json the draft that no file takes is a value of the one object."""
    found = gathered.findings
    if json:
        here = {"text": text} if out == "-" else {}
        if out != "-":
            write_new(out, text, force=force, kind=MANIFEST)
        output.envelope("manifest-draft", found, {"output": out, "entries": len(gathered.entries), **here})
        return exit_status(found)
    written = write_new(out, text, force=force, kind=MANIFEST)
    output.findings_aside(found)
    if written:
        output.aside(f"written: {written}")
        output.aside(f"next: review it, then: bundlekeeper manifest lint {written}")
    return exit_status(found)


def _text(data: bytes, name: str) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"not UTF-8 at byte {error.start}", where=name, hint="save it as UTF-8") from error


def _amended(command: str, name: str, report: AmendReport, before: list[Finding], json: bool) -> int:
    found = [*before, *report.findings]
    if json:
        changes = [{"subject": c.subject, "key": c.key, "old": c.old, "new": c.new} for c in report.changes]
        output.envelope(command, found, {"manifest": name, "changes": changes, "agreed": report.agreed})
        return exit_status(found)
    for change in report.changes:
        old = "" if change.old is None else f" (was {change.old})"
        output.line(
            f"{change.subject}: {change.key} = {change.new}{old}"
            if change.key != "bundle"
            else f"{change.subject}: added"
        )
    output.findings_text(found)
    agreed = f"{len(report.agreed)} digests agree; " if report.agreed else ""
    output.line(f"{agreed}{len(report.changes)} values changed in {name}")
    output.aside(f"next: bundlekeeper manifest lint {name}")
    return exit_status(found)


@app.command()
def lint(
    manifests: Annotated[list[str], typer.Argument(metavar="MANIFEST...", help="Manifests, or - for stdin.")],
    json: JsonOption = False,
) -> int:
    """Say everything that is wrong with a manifest at once, each with its place and what to do."""
    from bundlekeeper.model.lint.read_manifest import lint as lint_text

    found: list[Finding] = []
    statuses = []
    for name in manifests:
        try:
            problems = lint_text(read_bounded(name, MANIFEST_LIMIT, "the manifest"), name=name, today=today())
        except (InputError, UnfinishedError) as error:
            if len(manifests) == 1:
                raise
            found += error.problems or [_refused(name, error)]
            statuses.append(error.exit_code)
            if not json:
                output.error_text(error)
            continue
        found += problems
        statuses.append(exit_status(problems))
        if not json:
            output.folded_text(problems)
            output.line(f"{name}: {_tally(problems)}")
    if json:
        output.envelope("manifest-lint", found, {"manifests": manifests})
    return worst_exit(statuses)


def _refused(name: str, error: KeeperError) -> Finding:
    """One of several manifests that could not be read, as a finding, so that the others are still looked at."""
    from bundlekeeper.findings import finding

    return finding("unreadable", name, error.says, error.hint)


def _tally(problems: list[Finding]) -> str:
    from bundlekeeper.findings import Level

    if not problems:
        return "nothing to say against it"
    counts = [(sum(p.level is level for p in problems), level.value) for level in Level]
    return ", ".join(f"{number} {name}{'s' if number != 1 else ''}" for number, name in counts if number)


@app.command()
def confirm(
    manifest: Annotated[str, typer.Argument(metavar="MANIFEST", help="The manifest's file; it is changed in place.")],
    against: Annotated[
        str, typer.Option("--against", metavar="LIST", help="The publisher's own checksum list, got by another way.")
    ],
    source: Annotated[
        str | None, typer.Option("--source", metavar="TEXT", help="Where the list comes from; kept in digest_from.")
    ] = None,
    json: JsonOption = False,
) -> int:
    """Compare a manifest's digests with the publisher's own list; those that agree are no longer our own copy's.

    The list must not come from the same place as the files: a digest proves nothing about whoever could change both.
    When something was confirmed, the manifest is a new issue and its sequence goes up by one.
    """
    from bundlekeeper.model.manifest.checksum_list import parse
    from bundlekeeper.model.manifest.draft import confirm as compare

    listed = parse(read_bounded(against, limits.CHECKSUM_LIST_BYTES, "the checksum list"), name=against)
    old = read_bounded(manifest, MANIFEST_LIMIT, "the manifest")
    day = today()
    said = source if source is not None else f"publisher: {Path(against).name}, {day.isoformat()}"
    text, report = compare(_text(old, manifest), listed, source=said, today=day, name=manifest)
    write_over(manifest, text, old)
    return _amended("manifest-confirm", manifest, report, [], json)


@app.command()
def show(
    manifest: ManifestArgument,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """What a manifest says: bundles by family, releases, rules with their sources; and who signed it."""
    from bundlekeeper.cli.screen.answers.manifest import as_json, print_manifest
    from bundlekeeper.jobs.inputs import load_manifest

    loaded = load_manifest(manifest, today())
    signed = signature_of(manifest, signature)
    ruling = _ruling(store_root(store), loaded, signed, manifest) if signed is not None else None
    problems = [*loaded.problems, *(ruling.findings if ruling else ())]
    if json:
        stands = signed_as_json(ruling) if ruling else None
        output.envelope("manifest-show", problems, {**as_json(loaded), "manifest_signature": stands})
    else:
        print_manifest(loaded)
        if ruling:
            tell(ruling)
        output.folded_text(problems)
    return exit_status(problems)


def _ruling(root: Path, loaded: Loaded, signature: bytes, name: str) -> Ruling | None:
    """The ruling on the manifest's signature by the store's trust list; None where there is no store to ask."""
    if not store_is_there(root):
        return None
    with opened_store(root, write=False) as opened:
        return rule_on(voucher_of(opened), name, loaded.data, signature, loaded.manifest.issued)


@app.command()
def schema(out: OutputOption = "-", force: ForceOption = False) -> int:
    """The manifest's JSON Schema, for editors; a draft's first line names the file to save it under."""
    import json

    from bundlekeeper.model.manifest.schema import schema as make

    written = write_new(out, json.dumps(make(), indent=2) + "\n", force=force, kind=SCHEMA)
    if written:
        output.aside(f"written: {written}")
    return 0


app.command()(sign)


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="manifest")
