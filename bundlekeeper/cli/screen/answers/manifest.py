"""Shows what a manifest says: the same facts as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.formats.escape import human_bytes
from bundlekeeper.reports.tables import Table, write

if TYPE_CHECKING:
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.model.manifest.types import Beside, Jump, Manifest, RuleSubject


def as_json(loaded: Loaded) -> dict[str, Any]:
    """The manifest as the JSON envelope carries it: its own keys, and the SHA-256 of its bytes."""
    return {
        "sha256": loaded.sha256,
        "manifest": loaded.manifest.model_dump(mode="json", by_alias=True, exclude_none=True),
    }


def print_manifest(loaded: Loaded) -> None:
    """Print the manifest as tables on stdout."""
    manifest = loaded.manifest
    expires = f", expires {manifest.expires}" if manifest.expires else ", no expiry"
    output.line(f"{manifest.platform}, sequence {manifest.sequence}, issued {manifest.issued}{expires}")
    output.line(f"sha256 {loaded.sha256}; versions in {manifest.versions.order} order")
    _bundles(manifest)
    if manifest.release:
        _releases(manifest)
    if manifest.jump or manifest.beside:
        _rules(manifest)


def _bundles(manifest: Manifest) -> None:
    table = Table(
        ("family", "version", "size", "images", "standing", "signed", "file", "digest from"),
        right=frozenset({2, 3}),
        below=frozenset({5, 6, 7}),
    )
    for family in manifest.families:
        for bundle in manifest.of(family):
            table.rows.append(
                (
                    f"{family} ({bundle.build})" if bundle.build == "standalone" else family,
                    bundle.version + (f" onto {bundle.onto}" if bundle.onto else ""),
                    human_bytes(bundle.size),
                    str(len(bundle.images)),
                    str(bundle.standing),
                    f"{bundle.signature.form} by {bundle.signature.key}" if bundle.signature else "-",
                    bundle.file,
                    bundle.digest_from or "not stated",
                )
            )
    write(table)


def _releases(manifest: Manifest) -> None:
    table = Table(("release", *manifest.families))
    for release in manifest.release:
        table.rows.append((release.name, *(" or ".join(release.versions(f)) or "-" for f in manifest.families)))
    write(table)


def _rules(manifest: Manifest) -> None:
    table = Table(("rule", "source"))
    table.rows += [(_jump(rule), rule.source) for rule in manifest.jump]
    table.rows += [(_beside(rule), rule.source) for rule in manifest.beside]
    write(table)


def _parts(family: str | None, kind: str | None, models: tuple[str, ...] | None) -> str:
    return " ".join(part for part in (family, kind, ", ".join(models or ())) if part) or "everything"


def _jump(rule: Jump) -> str:
    what = _parts(rule.what.family, rule.what.kind, rule.what.models)
    return f"{what}: to {rule.to} only from {rule.from_} ({rule.direction})"


def _what(what: RuleSubject) -> str:
    return f"{_parts(what.family, what.kind, what.models)} {what.version or 'of any version'}"


def _beside(rule: Beside) -> str:
    return f"in a {rule.scope}: {_what(rule.when)} needs {' and '.join(_what(need) for need in rule.need)}"
