"""The bytes that the benchmarks work on, made when first asked for and dropped with the folder.

Rules: everything lies in one folder of its own under the folder that the user names; the sizes are the user's; random
bytes, so that no file system or tool can save work on them.
"""

from __future__ import annotations

import hashlib
import itertools
import os
import re
import subprocess
import sys
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

_PIECE_BYTES = 1 << 20
_FILES = 64


@dataclass
class World:
    """A folder, the sizes and numbers asked for, and the present round.

    `starts` are runs per figure of start-up, `parts` the components of the ledger, `bundles` those of the store that
    every start is asked of, `servers` those of its domain; routes go through one of `every` so many of their worlds.
    """

    folder: Path
    big_bytes: int = 2 << 30
    many_files: int = 10_000
    starts: int = 10
    parts: int = 100_000
    every: int = 1
    bundles: int = 30
    servers: int = 5
    round: int = 0
    cores: int = field(default_factory=lambda: len(os.sched_getaffinity(0)))

    @cached_property
    def big(self) -> Path:
        """One large file."""
        return self._random(self.folder / "big.bin", self.big_bytes)

    @cached_property
    def several(self) -> tuple[Path, ...]:
        """The same number of bytes in many files of equal size."""
        (self.folder / "several").mkdir()
        return tuple(
            self._random(self.folder / "several" / f"{n:03}.bin", self.big_bytes // _FILES) for n in range(_FILES)
        )

    @cached_property
    def big_store_inputs(self) -> Path:
        """A manifest for a folder that holds only the large file, as a bundle."""
        offered = self.folder / "offered"
        offered.mkdir()
        (offered / "marram-blade-6.1.0.bin").hardlink_to(self.big)
        manifest = self.folder / "big.toml"
        digest = hashlib.sha256()
        with self.big.open("rb") as stream:
            while block := stream.read(_PIECE_BYTES):
                digest.update(block)
        bundle = bundle_table("6.1.0", "marram-blade-6.1.0.bin", self.big_bytes, digest.hexdigest())
        manifest.write_text(MANIFEST_HEAD + bundle, encoding="utf-8")
        return manifest

    @cached_property
    def several_store(self) -> Path:
        """A store with the same number of bytes in 8 bundles."""
        offered, store = self.folder / "eight", self.folder / "eight-store"
        offered.mkdir()
        tables, size_bytes = [MANIFEST_HEAD], self.big_bytes // 8
        for number in range(8):
            name = f"marram-blade-3.{number}.0.bin"
            with self._random(offered / name, size_bytes).open("rb") as stream:
                digest = hashlib.file_digest(stream, "sha256").hexdigest()
            tables.append(bundle_table(f"3.{number}.0", name, size_bytes, digest))
        manifest = self.folder / "eight.toml"
        manifest.write_text("".join(tables), encoding="utf-8")
        keeper("store", "add", str(manifest), "--from", str(offered), "--link=hard", "--store", str(store))
        return store

    @cached_property
    def many_inputs(self) -> Path:
        """A manifest for a folder of many small files."""
        return self._offered("many", self.many_files, 512)

    @cached_property
    def small_inputs(self) -> tuple[Path, Path]:
        """A manifest for a folder of half as many files of 4 KiB each, and the folder."""
        return self._offered("small", self.many_files // 2, 4096), self.folder / "small"

    def _offered(self, folder: str, count: int, size_bytes: int) -> Path:
        """A manifest for a new folder of so many files, each with other bytes."""
        offered = self.folder / folder
        offered.mkdir()
        tables = [MANIFEST_HEAD]
        for number in range(count):
            name, data = f"marram-blade-1.{number}.0.bin", number.to_bytes(8, "big") * (size_bytes // 8)
            (offered / name).write_bytes(data)
            tables.append(bundle_table(f"1.{number}.0", name, len(data), hashlib.sha256(data).hexdigest()))
        manifest = self.folder / f"{folder}.toml"
        manifest.write_text("".join(tables), encoding="utf-8")
        return manifest

    @cached_property
    def small_store(self) -> Path:
        """A store that holds a few small bundles."""
        offered, store = self.folder / "few", self.folder / "few-store"
        offered.mkdir()
        tables = [MANIFEST_HEAD]
        for number in range(6):
            name, data = f"marram-blade-2.{number}.0.bin", bytes([number]) * 4096
            (offered / name).write_bytes(data)
            tables.append(bundle_table(f"2.{number}.0", name, len(data), hashlib.sha256(data).hexdigest()))
        manifest = self.folder / "few.toml"
        manifest.write_text("".join(tables), encoding="utf-8")
        keeper("store", "add", str(manifest), "--from", str(offered), "--store", str(store))
        return store

    @cached_property
    def working_store(self) -> Path:
        """A store of so many small bundles, three families in releases with rules, and one domain that is recorded."""
        offered, store = self.folder / "releases", self.folder / "releases-store"
        offered.mkdir()
        versions = [f"{5 + number // 5}.{number % 5}.0" for number in range(max(2, self.bundles // len(_IMAGES)))]
        tables = [RELEASES_HEAD]
        for version in versions:
            for family, images in _IMAGES.items():
                name, data = f"marram-{family}-{version}.bin", f"{family} {version}".encode() * 2048
                (offered / name).write_bytes(data)
                table = bundle_table(version, name, len(data), hashlib.sha256(data).hexdigest(), family)
                rows = [f'{{ kind = "{kind}", models = ["{model}"], version = "{version}" }}' for kind, model in images]
                tables.append(f"{table}images = [{', '.join(rows)}]\n")
            each = "".join(f'{family} = "{version}"\n' for family in _IMAGES)
            name = "newest" if version == versions[-1] else version
            tables.append(f'\n[[release]]\nname = "{name}"\n{each}')
        stops = [*versions[:-1:3], versions[-1]][-4:]
        for start, end in itertools.pairwise(stops):
            for family in _IMAGES:
                ends = f'to = ">={end}"\nfrom = ">={start}"\nsource = "notes {end}"\n'
                tables.append(f'\n[[jump]]\nwhat = {{ family = "{family}" }}\n{ends}')
        manifest, parts = self.folder / "releases.toml", self.folder / "parts.toml"
        manifest.write_text("".join(tables), encoding="utf-8")
        parts.write_text(_domain(self.servers, stops[0]), encoding="utf-8")
        keeper("store", "add", str(manifest), "--from", str(offered), "--store", str(store))
        keeper("inventory", "load", str(parts), "--reported-by", "ada", "--store", str(store))
        return store

    def _random(self, path: Path, size_bytes: int) -> Path:
        with path.open("wb") as stream:
            for start in range(0, size_bytes, _PIECE_BYTES):
                stream.write(os.urandom(min(_PIECE_BYTES, size_bytes - start)))
            stream.flush()
            os.fsync(stream.fileno())
        return path


MANIFEST_HEAD = """manifest = 1
platform = "marram"
sequence = 1
issued = 2026-08-14
families = ["blade"]
"""


RELEASES_HEAD = MANIFEST_HEAD.replace('["blade"]', '["infrastructure", "blade", "rack"]')
_IMAGES = {
    "infrastructure": (
        ("fabric-switch", "Reed-40"), ("domain-manager", "Reed-40"), ("io-module", "Rush-4"),
        ("chassis-controller", "Dune-8"),
    ),
    "blade": (("bios", "Tern-4"), ("management-controller", "Tern-4")),
    "rack": (("bios", "Gull-2"), ("management-controller", "Gull-2")),
}  # fmt: skip


def _domain(servers: int, version: str) -> str:
    """The inventory of one domain: its infrastructure in pairs and so many servers, every third one a rack server."""
    rows = [
        f'serial = "HOLM-{kind}-{half}"\nkind = "{kind}"\nmodel = "{model}"\nhalf = "{half}"\npair = "{kind}"\n'
        for kind, model in _IMAGES["infrastructure"]
        for half in ("leading", "following")
    ]
    for number in range(servers):
        family = "rack" if number % 3 == 2 else "blade"
        place = f'slot = "rack-{number}"' if family == "rack" else f'chassis = "{number // 8}"\nslot = "{number % 8}"'
        for kind, model in _IMAGES[family]:
            rows.append(f'parent = "HOLM-S{number}"\nkind = "{kind}"\nmodel = "{model}"\n{place}\n')
    each = f'\n[[component]]\nsite = "holm"\ndomain = "holm-a"\nactive = "{version}"\n'
    return 'inventory = 1\nread_at = 2026-08-15\nzone = "UTC"\n' + "".join(each + row for row in rows)


def bundle_table(version: str, name: str, size_bytes: int, sha256: str, family: str = "blade") -> str:
    """One bundle of a manifest."""
    return f"""
[[bundle]]
family = "{family}"
version = "{version}"
file = "{name}"
size = {size_bytes}
sha256 = "{sha256}"
digest_from = "publisher: download page, 2026-08-02"
released = 2026-08-01
lifecycle = "current"
"""


def warm(*paths: Path) -> None:
    """Bring the files into the page cache."""
    buffer = bytearray(_PIECE_BYTES)
    for path in paths:
        with path.open("rb", buffering=0) as stream:
            while stream.readinto(buffer):
                pass


def keeper_line(*arguments: str) -> list[str]:
    """The command line that runs this project's program."""
    return [sys.executable, "-m", "bundlekeeper", *arguments]


def keeper(*arguments: str) -> str:
    """Run the program and return its stdout. Exit status 1 (something was found) is fine; raises RuntimeError else."""
    done = subprocess.run(keeper_line(*arguments), capture_output=True, text=True, check=False)
    if done.returncode not in {0, 1}:
        raise RuntimeError(f"bundlekeeper {arguments[0]}: exit status {done.returncode}: {done.stderr.strip()}")
    return done.stdout


def openssl_rate(*, elapsed: bool = True) -> float:
    """bytes/s of SHA-256 on one core by `openssl speed`, 16384-byte blocks; of wall time, or of user time.

    Raises RuntimeError when its answer cannot be read.
    """
    line = [
        "openssl",
        "speed",
        *(["-elapsed"] if elapsed else []),
        "-evp",
        "sha256",
        "-bytes",
        "16384",
        "-seconds",
        "1",
    ]
    out = subprocess.run(line, capture_output=True, text=True, check=True).stdout
    found = re.search(r"^sha256\s+([\d.]+)k\s*$", out, re.MULTILINE)
    if found is None:
        raise RuntimeError(f"openssl speed said: {out!r}")
    return float(found[1]) * 1000
