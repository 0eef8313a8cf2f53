"""A family that must be signed and a bad signature: exit status 4 from store add and media receive; verify: 1."""

from __future__ import annotations

from pathlib import Path

import pytest

from bundlekeeper.errors import EXIT_FOUND, EXIT_REFUSED
from bundlekeeper.store.contents.store import Store
from tests.conftest import Keeper, World
from tests.kits.media_kit import Bundle, Site, make_set, write_set
from tests.kits.ssh_keys import NAME, admits, ssh_key, trusted, with_signature

WANTED = 'signed_families = ["blade"]'


@pytest.fixture
def key(keeper: Keeper, world: World, tmp_path: Path) -> Path:
    """A key that is trusted for bundles; the manifest states its signature of one."""
    made = ssh_key(tmp_path)
    trusted(keeper, made, "bundles", "marram-2026")
    with_signature(world, NAME, "sshsig", "marram-2026")
    return made


def badly_signed(keeper: Keeper, world: World, key: Path, tmp_path: Path) -> None:
    """Beside the bundle lies the signature of something else."""
    other = tmp_path / NAME
    other.write_bytes(b"something else")
    assert keeper("manifest", "sign", other, "--key", key, "--for", "bundles").status == 0
    other.with_name(f"{NAME}.sig").rename(world.downloads / f"{NAME}.sig")


def others_signed(keeper: Keeper, world: World, key: Path) -> None:
    """The family's other bundles are signed well."""
    for name in ("marram-blade-6.0.1.bin", "marram-blade-5.4.10.bin"):
        assert keeper("manifest", "sign", world.downloads / name, "--key", key, "--for", "bundles").status == 0
        with_signature(world, name, "sshsig", "marram-2026")


@pytest.mark.parametrize(("lines", "status"), [((WANTED,), EXIT_REFUSED), ((), EXIT_FOUND)])
def test_adding_a_badly_signed_bundle(
    lines: tuple[str, ...], status: int, keeper: Keeper, world: World, key: Path, tmp_path: Path
) -> None:
    """The bytes go to quarantine either way; where the family must be signed, the bundle is refused, and it is 4."""
    badly_signed(keeper, world, key, tmp_path)
    others_signed(keeper, world, key)
    admits(tmp_path, *lines)
    done = keeper("store", "add", world.manifest, "--from", world.downloads, "--json", "-q")
    row = next(row for row in done.json["bundles"] if row["file"] == NAME)
    assert (done.status, done.codes) == (status, ["bad-signature"])
    assert (row["status"], row["signature"]) == ("refused" if lines else "quarantined", "bad-signature")
    assert len(list((tmp_path / "store/quarantine").glob("*.note.txt"))) == 1
    assert not list((tmp_path / "store").glob(f"*/*/{NAME}"))


def test_a_wrong_file_after_a_badly_signed_one_is_4_as_well(
    keeper: Keeper, world: World, key: Path, tmp_path: Path
) -> None:
    """What is met later on the way hides no refusal."""
    badly_signed(keeper, world, key, tmp_path)
    others_signed(keeper, world, key)
    later = tmp_path / "later"
    later.mkdir()
    (later / NAME).write_bytes(b"x" * (world.downloads / NAME).stat().st_size)
    admits(tmp_path, WANTED)
    done = keeper("store", "add", world.manifest, "--from", world.downloads, "--from", later, "--json", "-q")
    assert (done.status, set(done.codes)) == (EXIT_REFUSED, {"bad-signature", "altered"})


def test_verifying_a_bundle_that_is_badly_signed_by_now(
    keeper: Keeper, world: World, key: Path, tmp_path: Path
) -> None:
    """It is in the store, so nothing is refused: `bad-signature`, 1, of the store and of a folder."""
    keeper("manifest", "sign", world.downloads / NAME, "--key", key, "--for", "bundles")
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "-q").status == 0
    (stored,) = (tmp_path / "store").glob(f"*/*/{NAME}.sig")
    admits(tmp_path, WANTED)
    (world.downloads / f"{NAME}.sig").unlink()
    badly_signed(keeper, world, key, tmp_path)
    stored.chmod(0o644)
    stored.write_bytes((world.downloads / f"{NAME}.sig").read_bytes())
    for words in (("verify",), ("verify", "--quick"), ("verify", world.manifest, "--at", world.downloads)):
        done = keeper(*words, "--json", "-q")
        assert (done.status, "bad-signature" in done.codes) == (EXIT_FOUND, True), words


@pytest.mark.parametrize(("signer", "wanted", "status"), [(3, True, 4), (3, False, 1), (0, True, 4)])
def test_receive_of_a_badly_signed_bundle(
    signer: int, wanted: bool, status: int, keeper: Keeper, tmp_path: Path
) -> None:
    """As store add: 4 where the family must be signed. `signer` 0 is unknown, 3 the trusted key over other bytes."""
    site = Site(tmp_path / "store")
    with Store.open(site.root, write=True) as store:
        site.trust(store, "maker", 3, "bundles")
    if wanted:
        (site.root / "store.toml").write_text(f"store = 1\n{WANTED}\n")
    blade = _Forged("blade", "6.1.0", b"blade" * 500, signer=signer)
    made = make_set([blade, Bundle("infrastructure", "6.1.0", b"infra" * 500), Bundle("rack", "6.1.0", b"rack" * 500)])
    (volume,) = write_set(made, tmp_path / "media")
    done = keeper("media", "receive", volume, "--json", "-q")
    assert done.status == status, done.out
    assert done.codes == ["bad-signature" if signer == 3 else "unknown-key"]
    assert {path.partition("/")[0] for path in site.bundles()} == {"infrastructure", "rack"}


class _Forged(Bundle):
    @property
    def signature(self) -> bytes:
        """That of other bytes, by the same key."""
        return Bundle("blade", "6.1.0", b"other" * 500, signer=self.signer).signature
