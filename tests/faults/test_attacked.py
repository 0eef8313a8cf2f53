"""What a hostile tester found once: links, access lists, signals in the wrong moment, texts read again and again."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bundlekeeper.errors import StoppedError
from bundlekeeper.media.set import signed_index
from bundlekeeper.media.volume import verify
from bundlekeeper.store.signatures import trust_list
from tests.conftest import Keeper
from tests.kits.media_write_kit import SPLIT, World


def test_a_ledger_that_is_a_link_is_refused(office: Keeper, tmp_path: Path) -> None:
    """Nobody looked at who may write what it leads to."""
    ledger, elsewhere = tmp_path / "store/.keeper/ledger.sqlite", tmp_path / "elsewhere"
    ledger.rename(elsewhere)
    elsewhere.chmod(0o666)
    ledger.symlink_to(elsewhere)
    before = elsewhere.read_bytes()
    for words in (
        ("where",),
        ("ledger", "verify"),
        ("observe", "HOLMA-IO1", "--active", "6.0.1", "--reported-by", "kim"),
    ):
        done = office(*words)
        assert (done.status, "symbolic link" in done.err) == (4, True), done
    assert elsewhere.read_bytes() == before


def stop(*_: object) -> object:
    """What reading raises when a signal came."""
    raise StoppedError("stopped by a signal")


def test_a_signal_while_a_kept_index_is_read_is_no_damage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "main site").mkdir()
    (tmp_path / "stick").mkdir()
    made = World(tmp_path / "main site", SPLIT, 3)
    made.write(tmp_path / "stick", only=(1,))
    monkeypatch.setattr(signed_index, "read_index", stop)
    with pytest.raises(StoppedError):
        made.write(tmp_path / "stick", only=(2,))


def test_a_signal_while_the_trust_list_is_read_is_not_swallowed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / ".keeper/trust"
    folder.mkdir(parents=True)
    (folder / "marram.toml").write_text("trust = 1\n")
    monkeypatch.setattr(trust_list, "_read", stop)
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        with pytest.raises(StoppedError):
            trust_list.read_all(fd)
    finally:
        os.close(fd)


def test_the_verifier_reads_a_text_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A large bag-info.txt was read again for every file whose size no index bears out."""
    (tmp_path / "data").mkdir()
    rows = []
    for number in range(20):
        (tmp_path / "data" / str(number)).write_bytes(b"x")
        rows.append(f"{'0' * 64}  data/{number}\n")
    (tmp_path / "manifest-sha256.txt").write_text("".join(rows))
    (tmp_path / "bag-info.txt").write_text("Payload-Oxum: 20.20\n")
    read: list[str] = []
    real = verify.Volume.text

    def text(self: verify.Volume, path: str) -> str:
        read.append(path)
        return real(self, path)

    monkeypatch.setattr(verify.Volume, "text", text)
    verify.main([str(tmp_path)])
    assert read.count("bag-info.txt") == 1


def test_the_verifier_counts_lines_before_it_makes_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "manifest-sha256.txt").write_bytes(b"\r" * (2 * verify.LINES + 1))
    assert verify.main([str(tmp_path)]) == 1
    assert f"more than {verify.LINES} lines" in capsys.readouterr().out
