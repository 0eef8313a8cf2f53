"""The main job on firmware images that no one here made.

Source of the files and of their SHA-256: Debian's package index, through apt, by package name. The digests come from
the index (signed by Debian's archive key and checked by apt), the files by another way from the pool, so that the
digest is not the file's own. Elsewhere than on a Debian system the test says that it skipped and why; in CI a skip
fails unless apt's own output shows that the index could not be reached.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.conftest import Keeper

pytestmark = pytest.mark.debian

PACKAGES = ("ovmf", "seabios", "ipxe-qemu", "opensbi", "u-boot-qemu")
UNREACHABLE = re.compile(
    r"Temporary failure resolving|Could not resolve|Could not connect|Connection (refused|timed out|failed)"
    r"|Unable to connect|Network is unreachable",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Package:
    """One entry of the package index."""

    name: str
    version: str
    file: str
    size: int
    sha256: str


@dataclass(frozen=True)
class Apt:
    """apt with lists and cache of its own, so that neither root nor the system's state is needed."""

    folder: Path

    def run(self, *words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
        """Run `apt-get` or `apt-cache` with our folders."""
        for part in ("lists/partial", "cache/archives/partial"):
            (self.folder / part).mkdir(parents=True, exist_ok=True)
        options = {
            "Dir::State::lists": self.folder / "lists",
            "Dir::Cache": self.folder / "cache",
            "APT::Sandbox::User": "root" if os.geteuid() == 0 else "",
            "Acquire::Retries": "3",
            "Acquire::Languages": "none",
        }
        flags = [f"-o{key}={value}" for key, value in options.items() if str(value)]
        return subprocess.run(
            [words[0], *flags, *words[1:]],
            capture_output=True,
            text=True,
            cwd=cwd,
            env={**os.environ, "LC_ALL": "C"},
            check=False,
        )


def _give_up(reason: str, output: str) -> None:
    reached = not UNREACHABLE.search(output)
    if os.environ.get("CI") and reached:
        pytest.fail(f"CI must not skip this: {reason}\n{output}")
    pytest.skip(f"{reason}: {output.strip()[-300:]}")


@pytest.fixture(scope="module")
def debian(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Package]]:
    """The packages' files in one folder, and what the index says of them."""
    if not (shutil.which("apt-get") and shutil.which("apt-cache")):
        _give_up("not a Debian system: there is no apt-get here", "no apt-get, no apt-cache on the PATH")
    apt = Apt(tmp_path_factory.mktemp("apt"))
    update = apt.run("apt-get", "update")
    if update.returncode or UNREACHABLE.search(update.stdout + update.stderr):
        _give_up("apt could not read the package index", update.stdout + update.stderr)
    packages = []
    for name in PACKAGES:
        shown = apt.run("apt-cache", "show", "--no-all-versions", name)
        if shown.returncode:
            _give_up(f"the index of this system has no package {name}", shown.stdout + shown.stderr)
        fields = dict(re.findall(r"^(Package|Version|Filename|Size|SHA256): (.*)$", shown.stdout, re.M))
        packages.append(
            Package(name, fields["Version"], Path(fields["Filename"]).name, int(fields["Size"]), fields["SHA256"])
        )
    folder = tmp_path_factory.mktemp("pool")
    fetched = apt.run("apt-get", "download", *PACKAGES, cwd=folder)
    if fetched.returncode:
        _give_up("apt could not fetch the packages", fetched.stdout + fetched.stderr)
    for package in packages:  # apt writes an epoch's colon as %3a; the pool's own name has no epoch
        found = [p for p in folder.iterdir() if p.name.startswith(f"{package.name}_")]
        found[0].rename(folder / package.file)
    return folder, packages


def _manifest(packages: list[Package]) -> str:
    head = 'manifest = 1\nplatform = "debian-firmware"\nsequence = 1\nissued = 2026-01-01\nfamilies = ["blade"]\n'
    head += '[versions]\norder = "debian"\n'
    return head + "".join(
        f'[[bundle]]\nfamily = "blade"\nversion = "{p.version}"\nfile = "{p.file}"\nsize = {p.size}\n'
        f'sha256 = "{p.sha256}"\ndigest_from = "publisher: the package index"\n'
        for p in packages
    )


def test_real_firmware_is_added_verified_and_found_spoilt(
    debian: tuple[Path, list[Package]], keeper: Keeper, tmp_path: Path
) -> None:
    """Take in what the index names, verify it, then spoil one copy in one bit and find exactly that one."""
    folder, packages = debian
    manifest = tmp_path / "debian.toml"
    manifest.write_text(_manifest(packages))
    taken = keeper("store", "add", manifest, "--from", folder, "--json")
    assert taken.status == 0, taken.out + taken.err
    assert {r["status"] for r in taken.json["bundles"]} == {"added"}
    checked = keeper("verify", "--json")
    assert checked.status == 0, checked.out
    assert checked.json["counts"]["verified"] == len(PACKAGES)

    copy = tmp_path / "stick"
    shutil.copytree(folder, copy)
    spoilt = copy / packages[0].file
    data = bytearray(spoilt.read_bytes())
    data[len(data) // 2] ^= 0x10
    spoilt.write_bytes(data)
    found = keeper("verify", manifest, "--at", copy, "--json")
    assert found.status == 1
    assert [(f["code"], f["subject"]) for f in found.json["findings"]] == [("altered", packages[0].file)]
    assert found.json["counts"]["verified"] == len(PACKAGES) - 1


def test_the_draft_of_real_firmware_agrees_with_the_index(
    debian: tuple[Path, list[Package]], keeper: Keeper, tmp_path: Path
) -> None:
    """Digests drafted from the files, and those drafted from the index's list, are the index's."""
    folder, packages = debian
    listed = tmp_path / "SHA256SUMS"
    listed.write_text("".join(f"{p.sha256}  {p.file}\n" for p in packages))
    for source in (sorted(folder.iterdir()), [listed]):
        draft = keeper("manifest", "draft", *source, "--platform", "debian-firmware")
        assert draft.status == 0, draft.err
        for package in packages:
            assert package.sha256 in draft.out
        assert ('digest_from = "own copy"' in draft.out) == (source != [listed])


def test_images_inside_the_packages_are_verified_by_the_packages_own_list(
    debian: tuple[Path, list[Package]], keeper: Keeper, tmp_path: Path
) -> None:
    """The raw images (UEFI, BIOS, network boot, SBI) as files: our draft against the system's sha256sum."""
    if not shutil.which("dpkg-deb"):
        _give_up("there is no dpkg-deb here", "")
    folder, packages = debian
    images = tmp_path / "images"
    images.mkdir()
    for package in packages:
        root = tmp_path / "unpacked" / package.name
        root.mkdir(parents=True)
        subprocess.run(["dpkg-deb", "-x", folder / package.file, root], check=True)
        for path in root.rglob("*"):
            if path.is_file() and not path.is_symlink() and path.suffix in {".fd", ".bin", ".rom", ".elf"}:
                shutil.copy(path, images / f"{package.name}-{path.parent.name}-{path.name}")
    names = sorted(p.name for p in images.iterdir())
    assert len(names) >= 10
    sums = subprocess.run(["sha256sum", *names], cwd=images, capture_output=True, check=True).stdout
    (tmp_path / "SUMS").write_bytes(sums)
    draft = keeper("manifest", "draft", images, "--platform", "images")
    assert draft.status == 0, draft.err
    for name in names:
        assert hashlib.sha256((images / name).read_bytes()).hexdigest() in draft.out
        assert f'file = "{name}"' in draft.out
