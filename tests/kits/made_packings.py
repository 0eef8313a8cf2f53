"""What several tests share with those of cli/commands/test_media_pack.py."""

from __future__ import annotations

from bundlekeeper.findings import finding
from bundlekeeper.model.media.index import FilePart, SetFile
from bundlekeeper.model.media.packing import PackedFile, PackedVolume, SetPacking


def made_packing() -> SetPacking:
    """A small packing with a split file, a common one and something missing."""
    path = "rack/6.1.0/marram-rack-6.1.0.bin"
    parts = (FilePart(1, f"{path}.part-01of02", 0, 6, "", 1), FilePart(2, f"{path}.part-02of02", 6, 4, "", 2))
    text = "manifests/marram-14.toml"
    common = SetFile(
        text, 5, "3" * 64, "manifest", common=True, parts=tuple(FilePart(v, text, 0, 5, "3" * 64) for v in (1, 2))
    )
    return SetPacking(
        "marram",
        "site skerry to release 6.1",
        "3" * 64,
        14,
        tuple(PackedVolume(n, "10B:folder", "folder", 100, 10, 20, 8) for n in (1, 2)),
        (
            PackedFile(SetFile(path, 10, "1" * 64, "bundle", "rack", "6.1.0", parts=parts), path),
            PackedFile(common, text),
        ),
        (finding("not-in-store", "blade 6.1.0", "needed, not in the store", "take it"),),
        summary="2 volumes",
    )
