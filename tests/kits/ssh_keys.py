"""What several tests share with those of cli/commands/test_trust.py."""

from __future__ import annotations

from pathlib import Path

from tests.conftest import Keeper, Ran, World
from tests.kits.signing_world import program, run

NAME = "marram-blade-6.1.0.bin"


def ssh_key(folder: Path, name: str = "key", *options: str) -> Path:
    """A new key of ssh-keygen's; the public half is beside it."""
    made = run(program("ssh-keygen"), "-q", "-t", "ed25519", "-N", "", *options, "-f", str(folder / name))
    assert made.returncode == 0, made.stderr
    return folder / name


def trusted(keeper: Keeper, key: Path, purpose: str = "manifests", name: str = "chief") -> Ran:
    """The key's public half in the store's trust list."""
    done = keeper("trust", "add", name, f"{key}.pub", "--form", "sshsig", "--for", purpose)
    assert done.status == 0, done.err
    return done


def admits(tmp_path: Path, *lines: str) -> None:
    """The store's store.toml."""
    (tmp_path / "store/store.toml").write_text("\n".join(("store = 1", *lines)) + "\n")


def with_signature(world: World, file: str, form: str, key: str) -> None:
    """Let the manifest state a signature of one bundle."""
    text = world.manifest.read_text("utf-8")
    at = text.index(f'file = "{file}"')
    line = f'signature = {{ file = "{file}.sig", form = "{form}", key = "{key}" }}\n'
    world.manifest.write_text(text[:at] + line + text[at:], encoding="utf-8")
