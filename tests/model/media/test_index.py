"""The index of a media set: what is written is read again, and everything else is refused."""

from __future__ import annotations

import json
from typing import Any

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.model.media.index import read_index, write_index
from tests.kits.set_indexes import D1, D2, D3, _index


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
    ("change", "message"),
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
        (lambda d: _bundle(d)["parts"][1].update(size=3), "have 9 bytes together, not 10"),
        (lambda d: _bundle(d)["parts"].pop(), "/parts/0 has the unknown key through"),
        (lambda d: _bundle(d)["parts"][0].update(through=D1), "/files/0/parts/0/through"),
        (lambda d: _bundle(d)["parts"][1].update(through=D2), "/files/0/parts/1/through"),
        (lambda d: _bundle(d)["parts"][1].update(through=""), "/files/0/parts/1/through"),
        (lambda d: _bundle(d)["parts"][1].pop("through"), "/files/0/parts/1 lacks through"),
        (lambda d: _bundle(d)["parts"][0].update(sha256=""), "/files/0/parts/0/sha256 is empty"),
        (lambda d: d["files"][1]["parts"][0].update(through=D3), "/files/1/parts/0 has the unknown key through"),
        (lambda d: d.update(texts=[{"volume": 3, "path": "a", "size": 1, "sha256": D1}]), "/texts/0/volume"),
        (lambda d: _bundle(d).update(parts=[]), "have 0 bytes together"),
        (lambda d: _bundle(d)["parts"][0].update(volume=3), "/parts/0/volume"),
        (lambda d: d["files"][1]["parts"].pop(), "every volume"),
        (lambda d: d["files"][1].update(common=1), "neither true nor false"),
        (lambda d: d["files"].append(d["files"][1]), "same name"),
        (lambda d: d["ledger"].update(head="xyz"), "/ledger/head"),
        (lambda d: d.update(files={}), "no array"),
    ],
)
def test_anything_else_is_refused_with_its_place(change: Any, message: str) -> None:
    document = json.loads(write_index(_index()))
    change(document)
    with pytest.raises(InputError, match=message) as caught:
        read_index(json.dumps(document).encode(), "index.json")
    assert caught.value.where == "index.json"


def test_names_that_are_one_on_some_file_system_are_refused() -> None:
    document = json.loads(write_index(_index()))
    twin = json.loads(json.dumps(document["files"][1]))
    twin["path"] = twin["path"].upper()
    for part in twin["parts"]:
        part["path"] = twin["path"]
    document["files"].append(twin)
    with pytest.raises(InputError, match="same name on some systems"):
        read_index(json.dumps(document).encode())
