"""What several tests share with those of media/receipt/test_slip.py."""

from __future__ import annotations

from datetime import UTC, datetime

from bundlekeeper.media.receipt.slip import DomainCount, Slip

SLIP = Slip(
    set_id="0123456789abcdef",
    sequence=12,
    index="deadbeef",
    made=datetime(2026, 11, 25, 9, 31, tzinfo=UTC),
    site="skerry",
    files=9,
    missing=(2, 7),
    missing_count=2,
    ledger_count=1234,
    head="00112233445566ff",
    domains=(DomainCount("skerry-a", 120, 8, 0), DomainCount("skerry-b", 7, 0, 1)),
)
