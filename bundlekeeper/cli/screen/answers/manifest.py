"""The content of a manifest, its findings and its changes: the same facts as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.manifest_signature import as_json, tell
from bundlekeeper.cli.screen.marks import put
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.cli.screen.user_files import MANIFEST, write_new, write_over
from bundlekeeper.errors import errors_include
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import counted, human_bytes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bundlekeeper.jobs.draft import AmendedManifest, DraftedManifest
    from bundlekeeper.jobs.manifest import LintedManifest, ShownManifest
    from bundlekeeper.jobs.planning.manifest_diff import ManifestDiff
    from bundlekeeper.model.manifest.changes import ChangedKey, ManifestChange
    from bundlekeeper.model.manifest.types import Bundle, Compatible, Jump, Manifest, Release, RuleSubject
    from bundlekeeper.planning.fleet.touched_domains import TouchedDomains

    DiffRow = tuple[ManifestChange, TouchedDomains | None]


def write_draft(found: DraftedManifest, out: str, *, force: bool, form: OutputForm) -> None:
    """Write a new draft and report it; under --json a draft that goes to stdout is a value of the one object.

    Raises as `user_files.write_new`.
    """
    with errors_include(found.findings):
        in_json = out == "-" and form is OutputForm.JSON
        written = "" if in_json else write_new(out, found.text, force=force, kind=MANIFEST)
    if form is OutputForm.JSON:
        here = {"text": found.text} if out == "-" else {}
        output.envelope("manifest-draft", found.findings, {"output": out, "entries": found.entries, **here})
        return
    output.findings_aside(found.findings)
    if written:
        output.aside(f"written: {written}")
        output.aside(f"next: review it, then: bundlekeeper manifest lint {written}")


def write_amended(command: str, amended: AmendedManifest, *, form: OutputForm) -> list[Finding]:
    """Overwrite the manifest and report the changes; returns the findings. Raises as `user_files.write_over`."""
    name, report = amended.name, amended.report
    with errors_include(amended.findings):
        write_over(name, amended.text, amended.old)
    found = [*amended.findings, *report.findings]
    if form is OutputForm.JSON:
        changes = [
            {"subject": value.subject, "key": value.key, "old": value.old, "new": value.new} for value in report.changes
        ]
        output.envelope(command, found, {"manifest": name, "changes": changes, "agreed": report.agreed})
        return found
    for change in report.changes:
        old = "" if change.old is None else f" (was {change.old})"
        output.line(
            f"{change.subject}: {change.key} = {change.new}{old}"
            if change.key != "bundle"
            else f"{change.subject}: added"
        )
    output.findings_text(found)
    agreed = f"{counted(len(report.agreed), 'digest agrees', 'digests agree')}; " if report.agreed else ""
    output.line(f"{agreed}{counted(len(report.changes), 'value')} changed in {name}")
    output.aside(f"next: bundlekeeper manifest lint {name}")
    return found


def show_linted(linted: Sequence[LintedManifest], *, form: OutputForm) -> None:
    """What is wrong with each manifest, and how many of each level."""
    if form is OutputForm.JSON:
        found = [problem for manifest in linted for problem in manifest.findings]
        output.envelope("manifest-lint", found, {"manifests": [manifest.name for manifest in linted]})
        return
    for manifest in linted:
        if manifest.error is not None:
            output.error_text(manifest.error)
        else:
            output.folded_text(manifest.findings)
            output.line(f"{manifest.name}: {_tally(manifest.findings)}")


def _tally(problems: Sequence[Finding]) -> str:
    if not problems:
        return "no problems found"
    counts = [(sum(finding.level is level for finding in problems), level.value) for level in Level]
    return ", ".join(f"{number} {name}{'s' if number != 1 else ''}" for number, name in counts if number)


def show_json(found: ShownManifest) -> None:
    """The manifest's own keys, the SHA-256 of its bytes, and who signed it, as one JSON object on stdout."""
    data: dict[str, Any] = {
        "sha256": found.loaded.sha256,
        "manifest": found.loaded.manifest.model_dump(mode="json", by_alias=True, exclude_none=True),
        "manifest_signature": as_json(found.ruling) if found.ruling else None,
    }
    output.envelope("manifest-show", found.findings, data)


def show_text(found: ShownManifest) -> None:
    """The manifest as tables, who signed it, and the findings, folded."""
    manifest = found.loaded.manifest
    expires = f", expires {manifest.expires}" if manifest.expires else ", no expiry"
    output.line(f"{manifest.platform}, sequence {manifest.sequence}, issued {manifest.issued}{expires}")
    put(f"sha256 {found.loaded.sha256}; versions in {manifest.versions.order} order")
    _bundles(manifest)
    if manifest.release:
        _releases(manifest)
    if manifest.jump or manifest.compatible:
        _rules(manifest)
    if found.ruling:
        tell(found.ruling)
    output.folded_text(found.findings)


def _family(bundle: Bundle) -> str:
    return f"{bundle.family} ({bundle.variant})" if bundle.variant else str(bundle.family)


BUNDLES: tuple[Column[Bundle], ...] = (
    Column("family", _family),
    Column("version", lambda bundle: bundle.version + (f" on {bundle.base}" if bundle.base else "")),
    Column("size", lambda bundle: human_bytes(bundle.size), right=True),
    Column("images", lambda bundle: str(len(bundle.images)), right=True),
    Column("lifecycle", lambda bundle: str(bundle.lifecycle)),
    Column("signed", lambda b: f"{b.signature.form} by {b.signature.key}" if b.signature else "-", below=True),
    Column("file", lambda bundle: bundle.file, below=True),
    Column("digest from", lambda bundle: bundle.digest_from or "not stated", below=True),
)


def _bundles(manifest: Manifest) -> None:
    write(BUNDLES, [bundle for family in manifest.families for bundle in manifest.of(family)])


def _releases(manifest: Manifest) -> None:
    families = (Column(family, _versions(family)) for family in manifest.families)
    columns: tuple[Column[Release], ...] = (Column("release", lambda release: release.name), *families)
    write(columns, manifest.release)


def _versions(family: str) -> Callable[[Release], str]:
    return lambda release: " or ".join(release.versions(family)) or "-"


def _rules(manifest: Manifest) -> None:
    rules = [(_jump(rule), rule.source) for rule in manifest.jump]
    rules += [(_compatible(rule), rule.source) for rule in manifest.compatible]
    write((Column("rule", lambda rule: rule[0]), Column("source", lambda rule: rule[1])), rules)


def _subject(family: str | None, kind: str | None, models: tuple[str, ...] | None) -> str:
    return " ".join(part for part in (family, kind, ", ".join(models or ())) if part) or "everything"


def _jump(rule: Jump) -> str:
    what = _subject(rule.what.family, rule.what.kind, rule.what.models)
    return f"{what}: to {rule.to} only from {rule.from_} ({rule.direction})"


def _what(what: RuleSubject) -> str:
    return f"{_subject(what.family, what.kind, what.models)} {what.version or 'of any version'}"


def _compatible(rule: Compatible) -> str:
    return f"in a {rule.scope}: {_what(rule.when)} needs {' and '.join(_what(need) for need in rule.need)}"


def show_diff(diff: ManifestDiff, *, form: OutputForm) -> None:
    """Each difference, the domains that it touches, and what was found."""
    if form is OutputForm.JSON:
        _diff_as_json(diff)
        return
    old, new = diff.old.manifest, diff.new.manifest
    output.line(f"{new.platform}: sequence {old.sequence} to {new.sequence}, {_differences(len(diff.changes))}")
    if diff.changes and new.sequence <= old.sequence:
        output.line(f"a store that has the first refuses the second until its sequence is {old.sequence + 1} or higher")
    if diff.changes:
        write(DIFFERENCES, diff.changes)
    output.findings_text(diff.findings)
    if diff.origin:
        output.line(f"domains by {diff.origin}")


def _differences(number: int) -> str:
    return counted(number, "difference") if number else "no difference"


def _changed_key(key: ChangedKey) -> str:
    if key.old is None:
        return f"{key.key}: {key.new} (new)"
    return f"{key.key}: {key.old} (no more)" if key.new is None else f"{key.key}: {key.old} -> {key.new}"


def _domains(touched: TouchedDomains | None) -> str:
    if touched is None:
        return "not known"
    rows = [f"{d} (runs on {touched.running[d]})" if d in touched.running else d for d in touched.domains]
    return ", ".join(rows) or "none"


DIFFERENCES: tuple[Column[DiffRow], ...] = (
    Column("change", lambda row: row[0].what.value),
    Column("in", lambda row: row[0].section),
    Column("what", lambda row: row[0].subject),
    Column("domains", lambda row: _domains(row[1]), below=True),
    Column("keys", lambda row: "; ".join(map(_changed_key, row[0].keys)), below=True),
)


def _diff_as_json(diff: ManifestDiff) -> None:
    sides = {
        name: {"sequence": loaded.manifest.sequence, "sha256": loaded.sha256}
        for name, loaded in (("old", diff.old), ("new", diff.new))
    }
    rows = [
        {
            "change": change.what.value,
            "section": change.section,
            "subject": change.subject,
            "keys": [{"key": key.key, "old": key.old, "new": key.new} for key in change.keys],
            "domains": None if touched is None else list(touched.domains),
            "running": None if touched is None else touched.running,
        }
        for change, touched in diff.changes
    ]
    data = {"platform": diff.new.manifest.platform, **sides, "inventory": diff.origin or None, "changes": rows}
    output.envelope("manifest-diff", diff.findings, data)
