"""What several tests share with those of verification/keys/test_entries.py."""

from __future__ import annotations

from datetime import UTC, date, datetime

from bundlekeeper.model.trust import TrustEntry
from bundlekeeper.verification.keys.entries import Sources, make_entry
from tests.kits.signing_world import chain, pem

ADDED = datetime(2026, 8, 14, 9, 30, tzinfo=UTC)


def make(sources: Sources, form: str, **words: object) -> TrustEntry:
    options: dict[str, object] = {"purposes": ("bundles",)} | words
    return make_entry("marram-2026", sources, form=form, **options)  # type: ignore[arg-type]  # checked there


def full_chain(form: str = "cms") -> TrustEntry:
    c = chain()
    sources = Sources(pem(c.leaf), [pem(c.root)], [pem(c.middle)], [pem(c.root_crl) + pem(c.middle_crl)])
    return make(sources, form, added_at=ADDED, added_from="by hand", valid_from=date(2026, 1, 1))
