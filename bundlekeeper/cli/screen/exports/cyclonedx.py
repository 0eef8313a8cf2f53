"""The firmware that is known as a CycloneDX bill of materials, version 1.6 in JSON (ECMA-424).

Rules: a bundle has the SHA-256 of its file; a running image has none, because nobody reads an image's own bytes from a
component: it names the bundles that list it. Where a thing is and how that is known are occurrences of its evidence; no
confidence is stated, because none is measured. What the standard has no field for is in properties under
`bundlekeeper:`. The serial number follows from everything else that is written, the moment included.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import bundlekeeper
from bundlekeeper.cli.screen import output
from bundlekeeper.formats.escape import counted, visible

if TYPE_CHECKING:
    from bundlekeeper.cli.screen.exports.target import ExportTarget
    from bundlekeeper.jobs.exports.firmware import KnownFirmware, RunningImage
    from bundlekeeper.jobs.exports.origin import ExportOrigin
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.store.contents.right_now import Holding

_SUBJECT = "platform"


def show(found: KnownFirmware, origin: ExportOrigin, file: ExportTarget) -> None:
    """Write the bill of materials. Raises InputError, UnfinishedError for a file that cannot be made."""
    file.write(json.dumps(bill(found, origin), indent=2, ensure_ascii=False) + "\n")
    if found.unknown:
        output.aside(f"note: {counted(found.unknown, 'component')} whose running version is not known: left out")
    output.findings_aside(found.findings)


def bill(found: KnownFirmware, origin: ExportOrigin) -> dict[str, Any]:
    """The document. Equal firmware of equal origin gives an equal document. Raises nothing."""
    body = {
        "version": 1,
        "metadata": _metadata(found, origin),
        "components": [*map(_bundle, found.bundles), *map(_image, found.images)],
        "compositions": [{"aggregate": "unknown", "assemblies": [_SUBJECT]}],
    }
    head = {"bomFormat": "CycloneDX", "specVersion": "1.6", "serialNumber": f"urn:uuid:{_uuid(body)}"}
    return {**head, **body}


def _uuid(body: dict[str, Any]) -> uuid.UUID:
    """A UUID of version 8 (RFC 9562 §5.8) from the SHA-256 of the content."""
    raw = bytearray(hashlib.sha256(json.dumps(body, sort_keys=True).encode()).digest()[:16])
    raw[6], raw[8] = raw[6] & 0x0F | 0x80, raw[8] & 0x3F | 0x80
    return uuid.UUID(bytes=bytes(raw))


def _metadata(found: KnownFirmware, origin: ExportOrigin) -> dict[str, Any]:
    head = origin.head
    subject = {"type": "platform", "bom-ref": _SUBJECT, "name": visible(found.platform) or "not known"}
    return {
        "timestamp": origin.moment,
        "lifecycles": [{"phase": "operations"}],
        "tools": {
            "components": [{"type": "application", "name": "bundlekeeper", "version": bundlekeeper.__version__}],
        },
        "component": {**subject, **({"version": found.sequence} if found.sequence else {})},
        "properties": _properties(
            ("store", origin.store),
            ("ledger", head.ledger if head is not None else ""),
            ("ledger-entries", str(head.count) if head is not None else ""),
            ("ledger-head", origin.digest),
            ("running-version-not-known", str(found.unknown)),
        ),
    }


def _properties(*pairs: tuple[str, str]) -> list[dict[str, str]]:
    return [{"name": f"bundlekeeper:{name}", "value": visible(value)} for name, value in pairs if value]


def _reference(*words: str) -> str:
    return "/".join(quote(word, safe="") for word in words)


def _bundle_reference(bundle: Holding) -> str:
    return _reference("store", *bundle.stored.place.split("/"))


def _bundle(bundle: Holding) -> dict[str, Any]:
    stored = bundle.stored
    verified_at = bundle.verification.verified_at.isoformat() if bundle.verification is not None else ""
    how = f"SHA-256 verified {verified_at}" if verified_at else f"{bundle.state}: {bundle.message}"
    return {
        "type": "firmware",
        "bom-ref": _bundle_reference(bundle),
        "group": stored.family,
        "name": visible(stored.name),
        "version": visible(stored.version),
        "hashes": [{"alg": "SHA-256", "content": stored.sha256}],
        "properties": _properties(
            ("verification", bundle.state),
            ("verified-at", verified_at),
            ("size-bytes", str(stored.size)),
            ("variant", stored.variant),
            ("lifecycle", stored.lifecycle),
            ("digest-from", stored.digest_from),
        ),
        "evidence": {"occurrences": [{"location": visible(stored.place), "additionalContext": visible(how)}]},
    }


def _image(image: RunningImage) -> dict[str, Any]:
    return {
        "type": "firmware",
        "bom-ref": _reference("running", image.kind, image.model, image.version),
        "name": visible(f"{image.model} {image.kind}".strip()),
        "version": visible(image.version),
        "properties": _properties(("kind", image.kind), ("model", image.model), *_listed_by(image.bundles)),
        "evidence": {"occurrences": [*map(_occurrence, image.components)]},
    }


def _listed_by(bundles: Sequence[Holding]) -> Iterable[tuple[str, str]]:
    for bundle in bundles:
        yield "bundle", _bundle_reference(bundle)
        yield "bundle-sha256", bundle.stored.sha256


def _occurrence(answer: WhereAnswer) -> dict[str, str]:
    """The component that runs the image: its place, what it is, and the event that states the version."""
    known = [f"component {answer.component}"]
    if answer.active is not None:
        since = answer.active.since
        known.append(f"{since.what.value} {since.at.text()}, {since.evidence.value}, reported by {since.reported_by}")
        known += [f"source {since.source}"] if since.source else []
    known.append(f"record {answer.agreement.value}")
    place = answer.place.path() if answer.place is not None else answer.component
    return {"location": visible(place), "additionalContext": visible("; ".join(known))}
