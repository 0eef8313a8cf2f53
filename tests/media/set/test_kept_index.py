"""The index that is kept in the store: verified before it goes out again, and signed by one key."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from bundlekeeper.errors import DamagedError
from bundlekeeper.media.set import signed_index
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.media.volume.folder import INDEX, SIGNATURE
from bundlekeeper.store.contents.store import Store
from tests.conftest import Keeper
from tests.conftest import World as Tour
from tests.kits.disc_images import image
from tests.kits.main_sites import MainSite
from tests.kits.media_write_kit import SPLIT, World, sign, states
from tests.kits.signing_world import private, private_pem


@pytest.fixture
def made(tmp_path: Path) -> World:
    for name in ("main site", "stick"):
        (tmp_path / name).mkdir()
    return World(tmp_path / "main site", SPLIT, 3)


def spoil(folder: Path, how: str) -> None:
    index, signature = folder / INDEX, folder / SIGNATURE
    if how == "index":
        index.chmod(0o600)
        index.write_bytes(index.read_bytes().replace(b'"holm-a"', b'"holm-b"'))
    elif how == "signature":
        data = bytearray(signature.read_bytes())
        data[120] = data[120] ^ 1
        signature.write_bytes(data)
    elif how == "of other bytes":
        signature.write_bytes(sign(b"other bytes"))
    elif how == "signature gone":
        signature.unlink()
    elif how == "index gone":
        index.unlink()
    else:
        other = index.read_bytes().replace(json.loads(index.read_bytes())["set"].encode(), b"0" * 16)
        index.write_bytes(other)
        signature.write_bytes(sign(other))


@pytest.mark.parametrize(
    "how", ["index", "signature", "of other bytes", "signature gone", "index gone", "of another set"]
)
def test_what_is_kept_damaged_does_not_go_out(made: World, tmp_path: Path, how: str) -> None:
    stick = tmp_path / "stick"
    made.write(stick, only=(1,))
    (folder,) = (made.kit.root / ".keeper/sets/sent").iterdir()
    spoil(folder, how)
    with pytest.raises(DamagedError) as caught:
        made.write(stick, only=(2,))
    assert caught.value.exit_code == 3
    assert str(folder) in caught.value.where
    assert [p.name for p in stick.iterdir()] == ["marram-set0001-1of3"]
    with pytest.raises(DamagedError):
        image(made, tmp_path / "set.iso")
    assert list(tmp_path.glob("*.iso")) == []
    for name in (INDEX, SIGNATURE):  # the hint's way out
        shutil.copy(stick / "marram-set0001-1of3" / name, folder)
    assert states(made.write(stick, only=(2,))) == {2: "written"}


def test_readers_verify_the_signature_only_of_what_has_other_digests(
    made: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made.write(tmp_path / "stick", only=(1,))
    (folder,) = (made.kit.root / ".keeper/sets/sent").iterdir()
    asked: list[bytes] = []
    monkeypatch.setattr(signed_index, "signer_of", lambda index, _: asked.append(index))
    with Store.open(made.kit.root, write=False) as store:
        (sent,) = Sets(store).sent()
        assert signed_index.index_or_finding(Sets(store), sent, "set")[0] is not None
        assert asked == []
        spoil(folder, "signature")
        signed_index.index_or_finding(Sets(store), sent, "set")
        assert len(asked) == 1
        monkeypatch.undo()
        index, (found,) = signed_index.index_or_finding(Sets(store), sent, "set")
        assert (index, found.code) == (None, "not-checked")


def test_another_key_on_a_set_that_is_signed_is_reported(keeper: Keeper, world: Tour, tmp_path: Path) -> None:
    main_site = MainSite(keeper, world, tmp_path)
    first = main_site.write("--to", "stick", "--only", "1", "--json")
    by = first.json["signed_by"]
    assert by.startswith("SHA256:")
    (tmp_path / "other").write_bytes(private_pem(private("ed25519", 1), ssh=True))
    (tmp_path / "other").chmod(0o600)
    for key, message in (("other", "signed before, by " + by), ("absent", "no such key"), ("packing.json", "")):
        done = keeper("media", "write", "packing.json", "--key", key, "--to", "stick")
        assert done.status in (2, 4), done.err
        assert message in done.err.replace("\n", " ")
        assert len(list((tmp_path / "stick").iterdir())) == 1
    for words in ((), ("--key", "key")):
        again = keeper("media", "write", "packing.json", *words, "--to", "stick", "--json")
        assert again.json["signed_by"] == by
    text = keeper("media", "write", "packing.json", "--to", "stick")
    assert f"signed by {by}" in text.err.replace("\n", " ")
