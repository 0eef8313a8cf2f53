"""The index of a media set: what is written is read again, and everything else is refused."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.model.media.index import Chain, FilePart, SetFile, SetIndex, read_index, write_index

D1, D2, D3 = "1" * 64, "2" * 64, "3" * 64


def _index() -> SetIndex:
    name = "infrastructure/6.1.0/marram-infrastructure-6.1.0.fwb"
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


def test_what_is_written_is_read_again() -> None:
    index = _index()
    data = write_index(index)
    assert read_index(data) == index
    assert write_index(read_index(data)) == data
    assert [part.path for _, part in index.on(2)] == [index.files[0].parts[1].path, "manifests/marram-14.toml"]
    assert index.folder(2) == "marram-set0007-2of2"


def _bundle(document: dict[str, Any]) -> dict[str, Any]:
    return document["files"][0]  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d.update(schema="bundlekeeper.media-set/2"), "media-set/2"),
        (lambda d: d.pop("schema"), "no index"),
        (lambda d: d.pop("issuer"), "lacks issuer"),
        (lambda d: d.update(more=1), "unknown key more"),
        (lambda d: d.update(set="0123"), "/set"),
        (lambda d: d.update(sequence=0), "/sequence"),
        (lambda d: d.update(sequence=True), "/sequence"),
        (lambda d: d.update(made="2026-08-14T09:30:00"), "no zone"),
        (lambda d: d.update(made="yesterday"), "/made"),
        (lambda d: d.update(platform="../marram"), "/platform"),
        (lambda d: d.update(volumes=10**9), "/volumes"),
        (lambda d: _bundle(d).update(path="../../etc/x"), "/files/0/path"),
        (lambda d: _bundle(d).update(path="/etc/x"), "/files/0/path"),
        (lambda d: _bundle(d).update(role="key"), "/files/0/role"),
        (lambda d: _bundle(d).update(sha256=D1.upper().replace("1", "A")), "/files/0/sha256"),
        (lambda d: _bundle(d)["parts"][1].update(offset=5), "does not follow"),
        (lambda d: _bundle(d)["parts"][1].update(size=3), "make up 9 bytes of 10"),
        (lambda d: _bundle(d)["parts"].pop(), "/parts/0 has the unknown key through"),
        (lambda d: _bundle(d)["parts"][0].update(through=D1), "/files/0/parts/0/through"),
        (lambda d: _bundle(d)["parts"][1].update(through=D2), "/files/0/parts/1/through"),
        (lambda d: _bundle(d)["parts"][1].update(through=""), "/files/0/parts/1/through"),
        (lambda d: _bundle(d)["parts"][1].pop("through"), "/files/0/parts/1 lacks through"),
        (lambda d: _bundle(d)["parts"][0].update(sha256=""), "/files/0/parts/0/sha256 is empty"),
        (lambda d: d["files"][1]["parts"][0].update(through=D3), "/files/1/parts/0 has the unknown key through"),
        (lambda d: d.update(texts=[{"volume": 3, "path": "a", "size": 1, "sha256": D1}]), "/texts/0/volume"),
        (lambda d: _bundle(d).update(parts=[]), "make up 0 bytes"),
        (lambda d: _bundle(d)["parts"][0].update(volume=3), "/parts/0/volume"),
        (lambda d: d["files"][1]["parts"].pop(), "every volume"),
        (lambda d: d["files"][1].update(common=1), "neither true nor false"),
        (lambda d: d["files"].append(d["files"][1]), "one name"),
        (lambda d: d["ledger"].update(head="xyz"), "/ledger/head"),
        (lambda d: d.update(files={}), "no array"),
    ],
)
def test_anything_else_is_refused_with_its_place(change: Any, says: str) -> None:
    document = json.loads(write_index(_index()))
    change(document)
    with pytest.raises(InputError, match=says) as caught:
        read_index(json.dumps(document).encode(), "index.json")
    assert caught.value.where == "index.json"


def test_names_that_are_one_on_some_file_system_are_refused() -> None:
    document = json.loads(write_index(_index()))
    twin = json.loads(json.dumps(document["files"][1]))
    twin["path"] = twin["path"].upper()
    for part in twin["parts"]:
        part["path"] = twin["path"]
    document["files"].append(twin)
    with pytest.raises(InputError, match="one name on some systems"):
        read_index(json.dumps(document).encode())
