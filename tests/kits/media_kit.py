"""What the media tests share: a small writer of volumes by the agreed layout, and a site that receives them.

It is not the program's own writer, so that a mistake there does not hide one in the reader.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.media.receiving.receive import Reception, receive
from bundlekeeper.model.media.index import Chain, FilePart, SetFile, SetIndex, Text, write_index
from bundlekeeper.model.progress import Silent
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.disk.walk import WalkEntry
from bundlekeeper.store.signatures import trust_list
from bundlekeeper.verification.keys.entries import Sources, make_entry
from bundlekeeper.verification.signatures.sign import sign_document
from tests.kits.signing_world import private, ssh_line

ISSUER = "ab" * 16
MADE = datetime(2026, 8, 20, 8, 0, tzinfo=UTC)


def now() -> datetime:
    """The real time: fingerprints are compared with the kernel's."""
    return datetime.now(UTC)


def sha(data: bytes) -> str:
    """SHA-256, hexadecimal."""
    return hashlib.sha256(data).hexdigest()


@dataclass(frozen=True)
class Bundle:
    """One bundle of the test's manifest; `volumes` where it lies, one part on each."""

    family: str
    version: str
    data: bytes
    volumes: tuple[int, ...] = (1,)
    withdrawn: str = ""
    signer: int | None = None  # whose key signed it

    @property
    def signature(self) -> bytes:
        """Its signature."""
        return sign_document(private("ed25519", self.signer or 0), "bundles", {"sha256": sha(self.data)})

    @property
    def file(self) -> str:
        """Its published name."""
        return f"marram-{self.family}-{self.version}.bin"

    @property
    def path(self) -> str:
        """Its path in the payload."""
        return f"{self.family}/{self.version}/{self.file}"


def manifest_text(bundles: Sequence[Bundle], sequence: int = 1) -> bytes:
    """A manifest of these bundles."""
    lines = [
        "manifest = 1",
        'platform = "marram"',
        f"sequence = {sequence}",
        "issued = 2026-08-14",
    ]
    for each in bundles:
        lifecycle = (
            f'lifecycle = "withdrawn"\nreason = "{each.withdrawn}"' if each.withdrawn else 'lifecycle = "current"'
        )
        lines.append(
            f'''
[[bundle]]
family = "{each.family}"
version = "{each.version}"
file = "{each.file}"
size = {len(each.data)}
sha256 = "{sha(each.data)}"
digest_from = "publisher: download page, 2026-08-02"
released = 2026-08-01
{lifecycle}
{f'signature = {{ file = "{each.file}.sig", form = "sshsig", key = "maker" }}' if each.signer is not None else ""}
images = [{{ kind = "bios", models = ["Tern-2"], version = "{each.version}" }}]
'''
        )
    return "\n".join(lines).encode()


@dataclass
class MadeSet:
    """A set in memory: its index and, by volume, the payload's files."""

    index: SetIndex
    data: bytes
    signature: bytes
    payload: dict[int, dict[str, bytes]] = field(default_factory=dict)


def cut(data: bytes, count: int) -> list[bytes]:
    """Cut into pieces of about the same size."""
    step = -(-len(data) // count)
    return [data[at : at + step] for at in range(0, len(data), step)]


def make_set(
    bundles: Sequence[Bundle],
    *,
    sequence: int = 1,
    manifest: bytes | None = None,
    set_id: str = "",
    key: int = 0,
    extra: Mapping[str, tuple[str, bytes]] | None = None,
    **changed: Any,
) -> MadeSet:
    """A set of these bundles; `extra` are further common files, path to role and bytes."""
    manifest = manifest if manifest is not None else manifest_text(bundles, sequence)
    volumes: int = changed.get("volumes", max([1, *(v for each in bundles for v in each.volumes)]))
    payload: dict[int, dict[str, bytes]] = {n: {} for n in range(1, volumes + 1)}
    rows: list[SetFile] = []
    for each in bundles:
        pieces = cut(each.data, len(each.volumes))
        parts, offset = [], 0
        for number, (volume, piece) in enumerate(zip(each.volumes, pieces, strict=True), 1):
            split = len(pieces) > 1
            path = f"{each.path}.part-{number:02d}of{len(pieces):02d}" if split else each.path
            through = sha(each.data[: offset + len(piece)]) if split else ""
            parts.append(FilePart(volume, path, offset, len(piece), sha(piece), number, through))
            payload[volume][path] = piece
            offset += len(piece)
        rows.append(
            SetFile(each.path, len(each.data), sha(each.data), "bundle", each.family, each.version, parts=tuple(parts))
        )
        if each.signer is not None:  # beside the first of its parts
            path, data, volume = f"{each.path}.sig", each.signature, each.volumes[0]
            payload[volume][path] = data
            part = FilePart(volume, path, 0, len(data), sha(data))
            rows.append(SetFile(path, len(data), sha(data), "signature", each.family, each.version, parts=(part,)))
    common = {f"manifests/marram-{sequence}.toml": ("manifest", manifest), **(extra or {})}
    for path, (role, data) in common.items():
        places = tuple(FilePart(v, path, 0, len(data), sha(data)) for v in range(1, volumes + 1))
        rows.append(SetFile(path, len(data), sha(data), role, common=True, parts=places))
        for volume in payload:
            payload[volume][path] = data
    index = SetIndex(
        set_id=set_id or f"{sequence:016x}",
        issuer=ISSUER,
        sequence=sequence,
        platform="marram",
        meant_for="skerry",
        made=MADE,
        manifest=sha(manifest),
        manifest_sequence=sequence,
        volumes=volumes,
        files=tuple(rows),
        chain=Chain(ISSUER, 0, "cd" * 32),
        texts=tuple(
            Text(v, path, len(data), sha(data)) for v in payload for path, data in texts_of(v, volumes).items()
        ),
    )
    index = replace(index, **changed)
    data = write_index(index)
    return MadeSet(index, data, signed(data, key), payload)


def signed(data: bytes, key: int = 0, purpose: str = "indexes") -> bytes:
    """The signature of an index or a receipt."""
    return sign_document(private("ed25519", key), purpose, {"sha512": hashlib.sha512(data).hexdigest()})


def texts_of(number: int, volumes: int) -> dict[str, bytes]:
    """The texts of a volume that the index names."""
    return {
        "bag-info.txt": f"Bag-Count: {number} of {volumes}\n".encode(),
        "READ-ME-FIRST.txt": b"Compare, then receive.\n",
    }


def write_volume(made: MadeSet, number: int, to: Path) -> Path:
    """Write one volume as a bag; returns its folder."""
    root = to / made.index.folder(number)
    tags: dict[str, bytes] = {
        **texts_of(number, made.index.volumes),
        "set-index.json": made.data,
        "set-index.json.sig": made.signature,
    }
    for path, data in made.payload[number].items():
        target = root / "data" / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
    listed = {f"data/{path}": sha(data) for path, data in made.payload[number].items()}
    tags["manifest-sha256.txt"] = "".join(f"{listed[p]}  {p}\n" for p in sorted(listed)).encode()
    for name, data in tags.items():
        (root / name).write_bytes(data)
    sealed = {name: sha(data) for name, data in tags.items()}
    sealed["bagit.txt"] = sha(_BAGIT)
    sums = sealed | listed
    (root / "SHA256SUMS").write_text("".join(f"{sums[p]}  {p}\n" for p in sorted(sums)))
    sealed["SHA256SUMS"] = sha((root / "SHA256SUMS").read_bytes())
    (root / "tagmanifest-sha256.txt").write_text("".join(f"{sealed[n]}  {n}\n" for n in sorted(sealed)))
    (root / "bagit.txt").write_bytes(_BAGIT)
    return root


_BAGIT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def write_set(made: MadeSet, to: Path) -> list[Path]:
    """Write every volume into a medium's folder of its own."""
    found = []
    for number in range(1, made.index.volumes + 1):
        medium = to / f"stick{number}"
        medium.mkdir(parents=True, exist_ok=True)
        found.append(write_volume(made, number, medium))
    return found


class Site:
    """A store that receives, and trusts the main site's key for indexes."""

    def __init__(self, root: Path, *, trusting: int | None = 0) -> None:
        self.root = root
        with Store.open(root, write=True) as store:
            store.database(write=True).close()
            if trusting is not None:
                self.trust(store, "holm", trusting, "indexes")

    def trust(self, store: Store, name: str, key: int, purpose: str) -> None:
        """Trust a key for a purpose."""
        source = Sources(ssh_line(private("ed25519", key)))
        existing = trust_list.read_all(store.fd).entries
        entry = make_entry(name, source, form="sshsig", purposes=[purpose], existing=existing, added_at=now())
        trust_list.add(store.fd, entry)

    def receive(self, *folders: Path, **options: Any) -> Reception:
        """Receive from these folders."""
        options = {"clock": now, "progress": Silent(), **options}
        with Store.open(self.root, write=not options.get("dry_run", False)) as store:
            return receive(store, folders, **options)

    def tree(self) -> dict[str, bytes]:
        """Every file of the store's own tree outside .keeper, with its bytes."""
        paths = (p for p in self.root.rglob("*") if p.is_file() and ".keeper" not in p.relative_to(self.root).parts)
        return {p.relative_to(self.root).as_posix(): p.read_bytes() for p in sorted(paths)}

    def bundles(self) -> dict[str, bytes]:
        """The bundles in place."""
        return {p: d for p, d in self.tree().items() if p.partition("/")[0] in ("infrastructure", "blade", "rack")}


def openings(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """From now on the paths, below the folder that is walked, of every file that is opened."""
    opened: list[str] = []
    real = WalkEntry.open

    def noted(entry: WalkEntry) -> int:
        opened.append(entry.path)
        return real(entry)

    monkeypatch.setattr(WalkEntry, "open", noted)
    return opened


def no_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on every file system says that one block is free."""
    real = os.fstatvfs

    def full(fd: int) -> os.statvfs_result:
        found = list(real(fd))
        found[3] = found[4] = 1  # f_bfree, f_bavail
        return os.statvfs_result(found)

    monkeypatch.setattr(os, "fstatvfs", full)
