"""Where a bundle's signature comes from: several sources, a file in the store that nobody recorded, replacing one."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from bundlekeeper.model.progress import Silent
from bundlekeeper.store.adding.add import add_bundles
from bundlekeeper.store.adding.sources import FolderSource
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.disk import temp_files
from bundlekeeper.store.signatures import sidecar_files
from bundlekeeper.verification.encodings.refusals import SignatureError
from bundlekeeper.verification.signatures import cms
from tests.kits.offered_files import WANTED, offered, signer_in
from tests.kits.signing_world import chain, pem, private_pem, program, run
from tests.kits.store_kit import GOOD, Kit, codes, now
from tests.kits.vouching_kit import accept, stated, trust


@pytest.mark.parametrize("wanted", [False, True], ids=["not wanted", "wanted"])
def test_a_second_sources_good_signature_counts_beside_a_first_ones_bad(wanted: bool, tmp_path: Path) -> None:
    """The bundle lies in the first source, with a bad signature; the second has no more than a good one."""
    kit, signer = Kit(tmp_path), signer_in(tmp_path)
    trust(kit, signer.entry())
    accept(kit, *([WANTED] if wanted else []))
    bundle = offered(kit, signer)
    second = tmp_path / "second"
    second.mkdir()
    (kit.source / "in/a.bin.sig").rename(second / "a.bin.sig")
    kit.offer("in/a.bin.sig", signer.sign(b"something else"))
    with Store.open(kit.root, write=True) as store:
        sources = [FolderSource(kit.source), FolderSource(second)]
        result = add_bundles(store, kit.loaded(bundle), sources, clock=now, progress=Silent())
    assert [(row.status, row.signature) for row in result.rows] == [("added", "good")]
    assert codes(result) == []
    assert (kit.root / "blade/6.1.0/a.bin.sig").read_bytes() == (second / "a.bin.sig").read_bytes()


@pytest.mark.parametrize("wanted", [False, True], ids=["not wanted", "wanted"])
@pytest.mark.parametrize("signature", ["bad", "absent"])
def test_a_file_laid_into_the_store_by_hand_is_no_way_around_its_signature(
    signature: str, wanted: bool, tmp_path: Path
) -> None:
    """Right bytes at the bundle's place that no run brought are not trusted for that: they are ruled on as any
    offer."""
    kit, signer = Kit(tmp_path), signer_in(tmp_path)
    trust(kit, signer.entry())
    kit.add(kit.bundle("b.bin", b"b", family="rack"))
    accept(kit, *([WANTED] if wanted else []))
    home = kit.root / "blade/6.1.0"
    home.mkdir(parents=True)
    (home / "a.bin").write_bytes(GOOD)
    if signature == "bad":
        (home / "a.bin.sig").write_bytes(signer.sign(b"something else"))
    result = kit.add(kit.bundle("a.bin", GOOD, signature=stated(signer.form)), manifest=2)
    stored = [row.name for row in kit.stored()]
    if signature == "absent" and not wanted:
        assert (result.rows[0].status, result.rows[0].signature, stored) == ("already there", "unsigned", ["a.bin"])
        return
    assert (result.rows[0].status, stored) == ("refused", [])
    assert codes(result) == ["bad-signature" if signature == "bad" else "unsigned"]
    assert (home / "a.bin").read_bytes() == GOOD  # what is there stays there
    (home / "a.bin.sig").unlink(missing_ok=True)
    kit.offer("a.bin.sig", signer.sign(GOOD))
    assert kit.add(kit.bundle("a.bin", GOOD, signature=stated(signer.form)), manifest=2).rows[0].signature == "good"
    assert [row.name for row in kit.stored()] == ["a.bin"]


def test_a_cms_file_of_two_blocks_is_no_signature(tmp_path: Path) -> None:
    """Of two nobody could say which one is meant; the same one twice is two as well."""
    c = chain()
    for name, data in {"signer.pem": pem(c.leaf), "signer.key": private_pem(c.leaf_key), "FILE": b"x"}.items():
        (tmp_path / name).write_bytes(data)
    words = ["cms", "-sign", "-binary", "-in", "FILE", "-signer", "signer.pem", "-inkey", "signer.key"]
    made = run(program("openssl"), *words, "-outform", "PEM", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    assert cms.parse(made.stdout).digest_algorithm == "sha256"
    for two in (made.stdout * 2, made.stdout + pem(c.leaf)):
        with pytest.raises(SignatureError, match="one PEM block"):
            cms.parse(two)


def test_a_signature_that_was_replaced_is_on_the_disk_before_anything_relies_on_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The new bytes before the rename, the folder after it (fsync(2): a file's name needs an fsync of its folder)."""
    kit = Kit(tmp_path)
    with Store.open(kit.root, write=True) as store, temp_files.opened(store.fd) as room:
        sidecar_files.put_over(store.fd, room, "manifests/marram-1.toml.sig", b"old")
        done: list[str] = []
        real_fsync, real_rename = os.fsync, os.rename

        def fsync(fd: int) -> None:
            status = os.fstat(fd)
            home = os.stat(kit.root / "manifests")
            is_home = (status.st_ino, status.st_dev) == (home.st_ino, home.st_dev)
            done.append("folder" if is_home else "file" if stat.S_ISREG(status.st_mode) else "another folder")
            real_fsync(fd)

        def rename(*words: object, **places: int) -> None:
            done.append("rename")
            real_rename(*words, **places)  # type: ignore[arg-type]  # as it was called

        monkeypatch.setattr(os, "fsync", fsync)
        monkeypatch.setattr(os, "rename", rename)
        sidecar_files.put_over(store.fd, room, "manifests/marram-1.toml.sig", b"new")
    assert (kit.root / "manifests/marram-1.toml.sig").read_bytes() == b"new"
    assert done[-3:] == ["file", "rename", "folder"]
