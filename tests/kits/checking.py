"""Small invented worlds for the tests of `verify`: bundles as bytes, folders of them, a set of verifications in
memory."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from bundlekeeper.model.progress import Silent
from bundlekeeper.model.verify_result import VerifyResult
from bundlekeeper.store.database.rows import Verification
from bundlekeeper.store.verifying.expected import ExpectedFile, Listing
from bundlekeeper.store.verifying.read import ReadingLimits
from bundlekeeper.store.verifying.verify import CheckMeans, check_folder
from bundlekeeper.verification.hashing.read import Stop


def sha256(data: bytes) -> str:
    """FIPS 180-4, by the standard library."""
    return hashlib.sha256(data).hexdigest()


def facts(
    name: str,
    data: bytes,
    *,
    family: str = "blade",
    version: str = "6.1.0",
    digest_from: str = "publisher: page",
    lifecycle: str = "current",
    reason: str = "",
) -> ExpectedFile:
    """One bundle with these bytes, as a manifest would describe it."""
    place = f"{family}/{version}/{name}"
    return ExpectedFile(
        family, version, name, place, len(data), sha256(data), "marram", 14, digest_from, lifecycle, reason
    )


def listing(*bundles: ExpectedFile, expires: date | None = None, signatures: Sequence[str] = ()) -> Listing:
    """A manifest's listing of these bundles."""
    return Listing("manifest marram 14", bundles, expires, frozenset(signatures))


def listing_for(files: Mapping[str, bytes]) -> Listing:
    """A listing of bundles that have exactly these names and bytes."""
    return listing(*(facts(name, data) for name, data in files.items()))


def fill(root: Path, files: Mapping[str, bytes]) -> Path:
    """Write these files, by their paths from `root`."""
    for path, data in files.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(data)
    return root


@dataclass
class Known:
    """A set of verifications in memory."""

    kept: dict[str, Verification] = field(default_factory=dict)

    def verifications(self) -> dict[str, Verification]:
        """A copy of what is kept."""
        return dict(self.kept)

    def record_verifications(self, verifications: Mapping[str, Verification]) -> None:
        """Keep these."""
        self.kept.update(verifications)

    def age(self, span: timedelta, *names: str) -> None:
        """Make the verifications of these names, or all, older."""
        for place, verification in self.kept.items():
            if not names or Path(place).name in names:
                self.kept[place] = Verification(
                    verification.sha256,
                    verification.verified_at - span,
                    verification.fingerprint,
                    verification.trustworthy,
                )


def now() -> datetime:
    """The real time: trust depends on it."""
    return datetime.now(UTC)


def check(
    root: Path,
    wanted: Listing,
    *,
    known: Known | None = None,
    quick: bool = False,
    older_than_s: float | None = None,
    max_time_s: float | None = None,
    max_age_s: float | None = None,
    stop: Stop | None = None,
    own: Sequence[bytes] = (),
    today: date | None = None,
) -> VerifyResult:
    """`check_folder` with the usual means."""
    means = CheckMeans(now, Silent(), stop, max_age_s=max_age_s, today=today)
    limits = ReadingLimits(quick, older_than_s, max_time_s, workers=2)
    return check_folder(root, wanted, means, limits, known=known, own=own)


def found(result: VerifyResult) -> set[tuple[str, str]]:
    """Code and subject of every finding."""
    return {(f.code, f.subject) for f in result.findings}
