"""What several tests share with those of verification/signatures/test_cms.py."""

from __future__ import annotations

from pathlib import Path

from tests.kits.signing_world import Chain, pem, private_pem, program, run

MESSAGE = b"marram-rack-6.1.0.bin\r\n\x00\xff" * 50


def files(c: Chain, tmp_path: Path) -> None:
    (tmp_path / "FILE").write_bytes(MESSAGE)
    (tmp_path / "roots.pem").write_bytes(pem(c.root))
    (tmp_path / "middle.pem").write_bytes(pem(c.middle))
    (tmp_path / "signer.pem").write_bytes(pem(c.leaf))
    (tmp_path / "signer.key").write_bytes(private_pem(c.leaf_key))


def theirs(c: Chain, tmp_path: Path, *options: str, form: str = "DER") -> bytes:
    """A signature by `openssl cms -sign`."""
    files(c, tmp_path)
    made = run(
        program("openssl"),
        *("cms", "-sign", "-binary", "-in", "FILE", "-signer", "signer.pem", "-inkey", "signer.key"),
        *("-certfile", "middle.pem", "-outform", form, *options),
        cwd=tmp_path,
    )
    assert made.returncode == 0, made.stderr
    return made.stdout
