"""The trust list on disk: whole or not at all, reported when broken, and never through a link."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError, KeeperError, RefusedError, UnfinishedError
from bundlekeeper.store.disk import files, temp_files
from bundlekeeper.store.signatures import trust_list
from bundlekeeper.verification.keys.entries import remove as removed
from tests.kits.signing_world import AT, entry
from tests.kits.trust_entries import full_chain


@pytest.fixture
def root(tmp_path: Path) -> Iterator[int]:
    fd = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    yield fd
    os.close(fd)


def _folder(tmp_path: Path) -> Path:
    return tmp_path / ".keeper/trust"


def test_no_folder_means_no_entries_and_makes_none(root: int, tmp_path: Path) -> None:
    assert trust_list.read_all(root) == trust_list.TrustList()
    assert not list(tmp_path.iterdir())


def test_entries_come_back_by_name(root: int, tmp_path: Path) -> None:
    first, second = full_chain(), entry("rsa", name="publisher")
    trust_list.add(root, second)
    trust_list.add(root, first)
    found = trust_list.read_all(root)
    assert found.entries == (first, second)
    assert found.broken == ()
    assert found.get("publisher") == second
    with pytest.raises(InputError, match="no trust entry 'publishr'") as caught:
        found.get("publishr")
    assert caught.value.hint == "did you mean publisher?"
    assert {oct(f.stat().st_mode & 0o777) for f in _folder(tmp_path).iterdir()} == {"0o644"}
    assert not list((tmp_path / ".keeper/incoming").iterdir())


def test_a_name_is_never_overwritten(root: int) -> None:
    trust_list.add(root, entry())
    with pytest.raises(InputError, match="in use"):
        trust_list.add(root, entry("ed25519", which=7))
    assert trust_list.read_all(root).entries == (entry(),)


def test_removing_keeps_everything_and_the_reason(root: int, tmp_path: Path) -> None:
    trust_list.add(root, full_chain())
    before = {f.name for f in _folder(tmp_path).iterdir()}
    (found,) = trust_list.remove(root, "marram-2026", at=AT, reason="lost at skerry")
    assert trust_list.read_all(root).entries == (found,)
    assert found == removed(full_chain(), at=AT, reason="lost at skerry")
    assert {f.name for f in _folder(tmp_path).iterdir()} == before
    with pytest.raises(InputError, match="already"):
        trust_list.remove(root, "marram-2026", at=AT, reason="again")


@pytest.mark.parametrize("stop", range(5))
def test_an_addition_that_is_stopped_leaves_no_entry_and_can_be_made_again(
    stop: int, root: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault 1: "kill -9 at any call: old state or whole file", here at each of the five files of an entry."""
    done = 0
    publish = temp_files.Temp.publish

    def stopping(self: temp_files.Temp, folder_fd: int, name: str) -> None:
        nonlocal done
        if done == stop:
            raise KeyboardInterrupt
        done += 1
        publish(self, folder_fd, name)

    monkeypatch.setattr(temp_files.Temp, "publish", stopping)
    with pytest.raises(KeyboardInterrupt):
        trust_list.add(root, full_chain())
    assert trust_list.read_all(root) == trust_list.TrustList()
    monkeypatch.undo()
    trust_list.add(root, full_chain())
    assert trust_list.read_all(root).entries == (full_chain(),)


def test_a_full_disk_is_our_error_and_adds_nothing(root: int, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_fd: int, _data: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files, "write_all", full)
    with pytest.raises(UnfinishedError, match="cannot be written"):
        trust_list.add(root, entry())
    monkeypatch.undo()
    assert trust_list.read_all(root).entries == ()


def test_one_broken_entry_is_reported_and_hides_no_other(root: int, tmp_path: Path) -> None:
    trust_list.add(root, entry(name="good"))
    trust_list.add(root, entry("rsa", name="bad"))
    folder = _folder(tmp_path)
    pem = folder / "bad.pem"
    content = pem.read_bytes()

    def broken() -> KeeperError:
        found = trust_list.read_all(root)
        assert [e.name for e in found.entries] == ["good"]
        assert len(found.broken) == 1
        return found.broken[0]

    pem.unlink()
    assert "missing" in broken().message
    pem.symlink_to(folder / "good.pem")
    assert isinstance(broken(), RefusedError)
    pem.unlink()
    os.mkfifo(pem)
    assert isinstance(broken(), RefusedError)
    pem.unlink()
    pem.write_bytes(content + b"\n")
    assert "not the file" in broken().message
    pem.write_bytes(content)
    assert len(trust_list.read_all(root).entries) == 2
    (folder / "bad.toml").write_bytes(b"trust = 1\n")
    assert "missing" in broken().message
    assert "add the key again" in broken().hint


def test_the_folder_is_never_reached_through_a_link(root: int, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / ".keeper").mkdir()
    _folder(tmp_path).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(RefusedError):
        trust_list.read_all(root)
    with pytest.raises(RefusedError):
        trust_list.add(root, entry())


def test_an_absurd_number_of_entries_is_refused(root: int, tmp_path: Path) -> None:
    _folder(tmp_path).mkdir(parents=True)
    for number in range(trust_list.MAX_ENTRIES + 1):
        (_folder(tmp_path) / f"e{number}.toml").touch()
    with pytest.raises(RefusedError, match="more than 1000"):
        trust_list.read_all(root)
