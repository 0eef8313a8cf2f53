"""What several tests share with those of media/receiving/test_receive.py."""

from __future__ import annotations

import os

from tests.kits.media_kit import Bundle

SPLIT = Bundle("rack", "6.1.0", os.urandom(3_000_017), (1, 2, 3))


BUNDLES = (
    Bundle("infrastructure", "6.1.0", b"infrastructure " * 9000, (1,)),
    Bundle("blade", "6.1.0", b"blade " * 20000, (2,)),
    SPLIT,
)


def every_bundle() -> dict[str, bytes]:
    """What the store must hold in the end."""
    return {each.path: each.data for each in BUNDLES}


def codes(reception: object) -> list[str]:
    """The codes of findings that are no notes."""
    return sorted(f.code for f in reception.findings if f.level != "note")  # type: ignore[attr-defined]
