"""Linting, showing and confirming a manifest, and its JSON Schema. No file is written here."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, KeeperError, UnfinishedError
from bundlekeeper.findings import Finding, exit_status, finding
from bundlekeeper.formats import limits
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.draft import AmendedManifest
from bundlekeeper.jobs.inputs import read_bounded, text_of
from bundlekeeper.jobs.manifest_signature import rule_on, signature_of
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.store.signatures.voucher import Ruling


@dataclass(frozen=True, slots=True)
class LintedManifest:
    """One manifest and its findings; `error` is why it could not be read, None where it could."""

    name: str
    findings: Sequence[Finding]
    error: KeeperError | None = None

    @property
    def status(self) -> int:
        """The exit status that it gives."""
        return self.error.exit_code if self.error is not None else exit_status(self.findings)


@dataclass(frozen=True, slots=True)
class ShownManifest:
    """A manifest that was read, the ruling on its signature (None: there is none, or no store), what was found."""

    loaded: Loaded
    ruling: Ruling | None
    findings: Sequence[Finding]


def lint(names: Sequence[str], today: date) -> list[LintedManifest]:
    """What is wrong with each manifest, as of `today`.

    Raises InputError, UnfinishedError where there is one manifest and it cannot be read.
    """
    linted = [_linted(name, today) for name in names]
    if len(linted) == 1 and linted[0].error is not None:
        raise linted[0].error
    return linted


def _linted(name: str, today: date) -> LintedManifest:
    from bundlekeeper.model.lint.read_manifest import lint as lint_text

    try:
        data = read_bounded(name, limits.MANIFEST_BYTES, "the manifest")
        return LintedManifest(name, lint_text(data, name=name, today=today))
    except (InputError, UnfinishedError) as error:
        found = error.problems or [finding("unreadable", name, error.message, error.hint)]
        return LintedManifest(name, found, error)


def show(session: Session, name: str, signature: Path | None) -> ShownManifest:
    """The content of a manifest, and who signed it by the store's trust list, where there is a store.

    Raises InputError with every problem of the manifest, RefusedError for a signature that is not good.
    """
    from bundlekeeper.model.lint.read_manifest import read

    loaded = read(read_bounded(name, limits.MANIFEST_BYTES, "the manifest"), name=name, today=session.today())
    signed = signature_of(name, signature)
    ruling = None
    if signed is not None and session.is_there:
        ruling = rule_on(session.voucher, name, loaded.data, signed, loaded.manifest.issued)
    return ShownManifest(loaded, ruling, [*loaded.problems, *(ruling.findings if ruling else ())])


def confirm(manifest: str, against: str, source: str | None, today: date) -> AmendedManifest:
    """The manifest whose digests were compared with the checksum list `against`; it is written nowhere.

    `source` says where the list comes from. Raises InputError, UnfinishedError for files that cannot be used.
    """
    from bundlekeeper.model.manifest.checksum_list import parse
    from bundlekeeper.model.manifest.draft import confirm as compare

    listed = parse(read_bounded(against, limits.CHECKSUM_LIST_BYTES, "the checksum list"), name=against)
    old = read_bounded(manifest, limits.MANIFEST_BYTES, "the manifest")
    listed_from = source if source is not None else f"publisher: {Path(against).name}, {today.isoformat()}"
    text, report = compare(text_of(manifest, old), listed, source=listed_from, today=today, name=manifest)
    return AmendedManifest(manifest, text, old, report)


def schema() -> str:
    """The manifest's JSON Schema, as a JSON text."""
    import json

    from bundlekeeper.model.manifest.schema import schema as make

    return json.dumps(make(), indent=2) + "\n"
