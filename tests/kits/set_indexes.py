"""What several tests share with those of model/media/test_index.py."""

from __future__ import annotations

from datetime import UTC, datetime

from bundlekeeper.model.media.index import Chain, FilePart, SetFile, SetIndex

D1, D2, D3 = "1" * 64, "2" * 64, "3" * 64


def _index() -> SetIndex:
    name = "infrastructure/6.1.0/marram-infrastructure-6.1.0.bin"
    manifest = "manifests/marram-14.toml"
    return SetIndex(
        set_id="0123456789abcdef",
        issuer="ab" * 16,
        sequence=7,
        platform="marram",
        meant_for="skerry",
        made=datetime(2026, 8, 14, 9, 30, tzinfo=UTC),
        manifest=D3,
        manifest_sequence=14,
        volumes=2,
        files=(
            SetFile(
                name,
                10,
                D1,
                "bundle",
                "infrastructure",
                "6.1.0",
                parts=(
                    FilePart(1, f"{name}.part-1of2", 0, 6, D2, 1, through=D2),
                    FilePart(2, f"{name}.part-2of2", 6, 4, D3, 2, through=D1),
                ),
            ),
            SetFile(
                manifest, 5, D3, "manifest", common=True, parts=tuple(FilePart(v, manifest, 0, 5, D3) for v in (1, 2))
            ),
        ),
        chain=Chain("ab" * 16, 3, D2),
        notes=("made for a test",),
    )
