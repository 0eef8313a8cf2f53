"""The tool's own folder on a volume: wheels that install bundlekeeper with no network, and a list of their hashes.

Rules: they are packed from what is installed and running here; each file is compared with the hash that its own
distribution states (RECORD), so no package index is asked and nothing of the same name can come from one; they fit this
Python and this kind of machine, and the list says which; the same installation packs into the same bytes.
Formats: binary distribution format (wheel 1.0), recording installed projects (RECORD), hash-checking mode of pip.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import re
import sys
import sysconfig
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path, PurePosixPath

import bundlekeeper
from bundlekeeper.errors import InputError, RefusedError, UnfinishedError
from bundlekeeper.media.volume.folder import Expected
from bundlekeeper.media.volume.tag_files import TOOL

NAME = "bundlekeeper"
REQUIREMENTS = "requirements.txt"
#: What an installer writes for itself and no wheel holds.
_INSTALLERS = {"RECORD", "INSTALLER", "REQUESTED", "direct_url.json", "RECORD.jws", "RECORD.p7s"}
_NAME = re.compile(r"\s*([A-Za-z0-9][A-Za-z0-9._-]*)\s*(?:\[([^\]]*)\])?")
_EXTRA = re.compile(r"""\bextra\s*==\s*['"]([^'"]+)['"]""")


@dataclass(frozen=True, slots=True)
class Tool:
    """The folder's files, name to path; the first line of `REQUIREMENTS` says which Python and machine they fit."""

    files: Mapping[str, Path]


def expected(files: Mapping[str, Path]) -> dict[str, Expected]:
    """The folder's files by their paths on a volume, with size and SHA-256. Raises UnfinishedError."""
    found = {}
    for name, path in sorted(files.items()):
        try:
            data = path.read_bytes()
        except OSError as e:
            raise UnfinishedError(f"the tool's file cannot be read: {e.strerror}", where=str(path)) from e
        found[f"{TOOL}/{name}"] = Expected(len(data), {"sha256": hashlib.sha256(data).hexdigest()})
    return found


def pack(folder: Path) -> Tool:
    """Pack the wheels into an empty folder.

    Raises InputError when something needed is not installed as a distribution, RefusedError when an installed file is
    not what its distribution states, UnfinishedError when the folder cannot be written.
    """
    files: dict[str, Path] = {}
    lines = [f"# {NAME} {bundlekeeper.__version__} and what it needs, for {_fits()}"]
    try:
        for distribution in _needed():
            name, data = _wheel(distribution)
            (folder / name).write_bytes(data)
            files[name] = folder / name
            digest = hashlib.sha256(data).hexdigest()
            lines.append(f"{distribution.metadata['Name']}=={distribution.version} --hash=sha256:{digest}")
        (folder / REQUIREMENTS).write_text("\n".join([*lines, ""]), "utf-8")
    except OSError as e:
        raise UnfinishedError(f"the tool's folder cannot be made: {e.strerror}", where=str(e.filename or folder)) from e
    return Tool({**files, REQUIREMENTS: folder / REQUIREMENTS})


def _fits() -> str:
    version = f"{sys.implementation.name} {sys.version_info.major}.{sys.version_info.minor}"
    return f"{version} on {sysconfig.get_platform()}"


def _needed() -> list[metadata.Distribution]:
    """Our own distribution and every one that it needs, by name.

    A requirement that a marker excludes here is left out only where it is not installed: more than needed does no harm.
    """
    found: dict[str, metadata.Distribution] = {}
    asked: set[tuple[str, frozenset[str]]] = set()
    waiting: list[tuple[str, frozenset[str], bool]] = [(NAME, frozenset(), True)]
    while waiting:
        name, extras, must = waiting.pop()
        key = re.sub(r"[-_.]+", "-", name).lower()
        if (key, extras) in asked:
            continue
        asked.add((key, extras))
        try:
            found[key] = metadata.distribution(name)
        except metadata.PackageNotFoundError as e:
            if must:
                hint = f"install bundlekeeper as a package here: python -m pip install {NAME}"
                raise InputError(f"{name} is not installed as a package, so it cannot be packed", hint=hint) from e
            continue
        for line in found[key].requires or ():
            waiting += _requirements(line, extras)
    return [found[key] for key in sorted(found)]


def _requirements(line: str, extras: frozenset[str]) -> Iterator[tuple[str, frozenset[str], bool]]:
    """What a Requires-Dist line (core metadata) asks for."""
    requirement, _, marker = line.partition(";")
    match = _NAME.match(requirement)
    of_extra = _EXTRA.search(marker)
    if match is not None and (of_extra is None or of_extra[1] in extras):
        more = frozenset(extra.strip() for extra in (match[2] or "").split(",") if extra.strip())
        yield match[1], more, not marker.strip()


def _wheel(found: metadata.Distribution) -> tuple[str, bytes]:
    """A distribution as a wheel: its file name and its bytes."""
    contents = _own(found) if found.metadata["Name"] == NAME else _installed(found)
    info = next((path.split("/")[0] for path in contents if path.endswith(".dist-info/METADATA")), "")
    if not info:
        raise InputError(f"{found.metadata['Name']} is not installed from a wheel, so it cannot be packed")
    rows = [
        (path, f"sha256={_digest(data)}", str(len(data))) for path, data in contents.items() if path != f"{info}/RECORD"
    ]
    record = io.StringIO()
    csv.writer(record, lineterminator="\n").writerows([*sorted(rows), (f"{info}/RECORD", "", "")])
    contents[f"{info}/RECORD"] = record.getvalue().encode()
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(contents, key=lambda name: (".dist-info/" in name, name)):
            entry = zipfile.ZipInfo(path)  # of 1980: the same installation gives the same bytes
            entry.external_attr = 0o644 << 16
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, contents[path])
    return f"{info.removesuffix('.dist-info')}-{_tag(contents[f'{info}/WHEEL'])}.whl", buffer.getvalue()


def _digest(data: bytes) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode("ascii")


def _tag(wheel: bytes) -> str:
    """The compressed tag set of a WHEEL file, for the file name."""
    tags = re.findall(r"^Tag: *(\S+)-(\S+)-(\S+) *\r?$", wheel.decode("utf-8"), re.M)
    columns = [sorted({tag[n] for tag in tags}) for n in range(3)]
    return "-".join(".".join(column) for column in columns) if tags else "py3-none-any"


def _own(found: metadata.Distribution) -> dict[str, bytes]:
    """Our own package as it runs, also where it was installed in editable form, with the distribution's metadata."""
    home = Path(bundlekeeper.__file__).parent
    info = f"{NAME}-{bundlekeeper.__version__}.dist-info"
    contents = {
        f"{NAME}/{path.relative_to(home).as_posix()}": path.read_bytes()
        for path in sorted(home.rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts
    }
    # In a checkout the metadata are setuptools' own: PKG-INFO has the same form as METADATA.
    about = found.read_text("METADATA") or found.read_text("PKG-INFO") or ""
    version = f"\nVersion: {bundlekeeper.__version__}\n"
    contents[f"{info}/METADATA"] = re.sub(r"\nVersion: [^\n]*\n", version, about, count=1).encode()
    contents[f"{info}/entry_points.txt"] = (found.read_text("entry_points.txt") or "").encode()
    wheel = f"Wheel-Version: 1.0\nGenerator: {NAME} ({bundlekeeper.__version__})\n"
    contents[f"{info}/WHEEL"] = f"{wheel}Root-Is-Purelib: true\nTag: py3-none-any\n".encode()
    return contents


def _installed(found: metadata.Distribution) -> dict[str, bytes]:
    """The files of an installed distribution by their paths in its wheel, each compared with RECORD."""
    contents: dict[str, bytes] = {}
    name = found.metadata["Name"]
    for path in found.files or ():
        place = _in_wheel(path, name, found.version)
        if not place:
            continue
        data = path.read_binary()
        if path.hash is not None and path.hash.mode == "sha256" and path.hash.value != _digest(data):
            raise RefusedError(
                f"{path} of {name} is not what was installed",
                hint=f"install it again, then write: python -m pip install --force-reinstall {name}=={found.version}",
            )
        contents[place] = data
    return contents


def _in_wheel(path: PurePosixPath, name: str, version: str) -> str:
    """The place of an installed file in the wheel; empty for what the installer makes."""
    if path.suffix == ".pyc" or (path.parent.name.endswith(".dist-info") and path.name in _INSTALLERS):
        return ""
    rest = [part for part in path.parts if part != ".."]
    if len(rest) == len(path.parts):
        return path.as_posix()
    if rest[0] in {"bin", "Scripts"}:  # made from the entry points
        return ""
    return f"{re.sub(r'[-_.]+', '_', name).lower()}-{version}.data/data/{'/'.join(rest)}"
