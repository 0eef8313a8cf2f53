"""Figures as OpenMetrics text, which a collector reads from a file.

Rules: every metric is a gauge, because collectors that read files know the older text format of the same family, in
which gauges are the same and the type `info` is an error; a figure that is not known is left out, with its family; a
name ends with its unit; no sample has a timestamp (a collector refuses those).
Format: OpenMetrics 1.0, sections "Text format" and "Units and base units".
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING

import bundlekeeper

if TYPE_CHECKING:
    from bundlekeeper.cli.screen.exports.target import ExportTarget
    from bundlekeeper.jobs.exports.figures import Figures
    from bundlekeeper.jobs.exports.origin import ExportOrigin
    from bundlekeeper.jobs.store.listing import StoreList

_STATES = ("verified", "unverified", "missing")


@dataclass(frozen=True, slots=True)
class Sample:
    """A value with its labels, as pairs of name and value."""

    value: float
    labels: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Gauge:
    """A metric: its name without our prefix (its unit is its last word), what it is, its samples."""

    name: str
    help: str
    samples: Sequence[Sample]
    unit: str = ""


def show(found: Figures, origin: ExportOrigin, file: ExportTarget) -> None:
    """Write the metrics. Raises InputError, UnfinishedError for a file that cannot be made."""
    file.write(text([*_gauges(found, origin)]))


def text(gauges: Sequence[Gauge]) -> str:
    """The gauges that have samples, as OpenMetrics text. Raises nothing."""
    lines = [line for gauge in gauges if gauge.samples for line in _lines(gauge)]
    return "\n".join([*lines, "# EOF", ""])


def _lines(gauge: Gauge) -> Iterator[str]:
    name = f"bundlekeeper_{gauge.name}"
    yield f"# TYPE {name} gauge"
    if gauge.unit:
        yield f"# UNIT {name} {gauge.unit}"
    yield f"# HELP {name} {_escaped(gauge.help)}"
    for sample in gauge.samples:
        labels = ",".join(f'{key}="{_escaped(value)}"' for key, value in sample.labels)
        yield f"{name}{f'{{{labels}}}' if labels else ''} {_number(sample.value)}"


def _escaped(value: str) -> str:
    """Escapes of OpenMetrics. Bytes of a name that are not UTF-8 become U+FFFD: the text must be UTF-8."""
    whole = value.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    return whole.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def _number(value: float) -> str:
    return str(int(value)) if value == int(value) else repr(value)


def _gauges(found: Figures, origin: ExportOrigin) -> Iterator[Gauge]:
    attention = found.attention
    about = (
        ("version", bundlekeeper.__version__),
        ("store", origin.store),
        ("manifest", attention.manifest),
        ("ledger", origin.head.ledger if origin.head is not None else ""),
        ("ledger_head", origin.digest),
    )
    yield Gauge("export_info", "Where these figures are from; always 1.", [Sample(1, about)])
    made = [Sample(origin.at.timestamp())]
    yield Gauge("export_timestamp_seconds", "When these figures were made, since 1970-01-01.", made, "seconds")
    yield from _of_store(attention.stored, origin.at)
    if found.components is not None:
        rows = [Sample(count, (("code", code),)) for code, count in found.components.items()]
        yield Gauge("components_open", "Components staged and not activated, or not read back, or that failed.", rows)
    if origin.head is not None:
        yield Gauge("ledger_entries", "Entries of the ledger.", [Sample(origin.head.count)])
    last = [] if found.last_entry is None else [Sample(found.last_entry.timestamp())]
    yield Gauge("ledger_last_entry_timestamp_seconds", "When the last entry was recorded here.", last, "seconds")
    yield from _of_findings(found)


def _of_store(stored: StoreList, now: datetime) -> Iterator[Gauge]:
    states = Counter((bundle.stored.family, bundle.state) for bundle in stored.bundles)
    families = list(dict.fromkeys(bundle.stored.family for bundle in stored.bundles))
    rows = [Sample(states[f, state], (("family", f), ("state", state))) for f in families for state in _STATES]
    yield Gauge("bundles", "Bundles of the store, by family and state.", rows)
    size = sum(bundle.stored.size for bundle in stored.bundles if bundle.state != "missing")
    yield Gauge("store_size_bytes", "Bytes of the bundles that are there.", [Sample(size)], "bytes")
    yield Gauge("quarantined", "Notes of wrong bytes in quarantine.", [Sample(len(stored.quarantine))])
    times = [b.verification.verified_at for b in stored.bundles if b.verification is not None]
    ages = [Sample((now - min(times)).total_seconds())] if times else []
    yield Gauge("oldest_verification_age_seconds", "Age of the oldest verification that counts.", ages, "seconds")
    expiries = []
    if stored.manifests and (last := stored.manifests[-1]).expires is not None:
        end = datetime.combine(last.expires, time.max, UTC).replace(microsecond=0)
        expiries = [Sample(end.timestamp(), (("platform", last.platform),))]
    yield Gauge("manifest_expiry_timestamp_seconds", "End of the manifest's last day (UTC).", expiries, "seconds")


def _of_findings(found: Figures) -> Iterator[Gauge]:
    counts = Counter((f.level.value, f.code) for f in found.attention.findings if not f.accepted)
    rows = [Sample(count, (("level", level), ("code", code))) for (level, code), count in sorted(counts.items())]
    yield Gauge("findings", "What needs attention, by level and code; without accepted findings.", rows)
    yield Gauge("findings_accepted", "Findings that were accepted.", [Sample(found.attention.accepted)])
