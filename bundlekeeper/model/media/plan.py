"""The plan of a media set: every file with its place in the store, what lies on which volume, what is missing.

Rules: plain values, no I/O, no clock; the same store, manifest and request give the same bytes; sizes are bytes; the
parts of a split file have no digests, because nothing was read yet; what is missing is written into the plan, so that
nobody writes an incomplete set without knowing; a plan that was changed by hand is read as strictly as any.
Form: JSON, indented, sorted keys, one LF at the end. Not signed: it says what is to be written, it proves nothing.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import CODES, Finding, Level
from bundlekeeper.formats import json_read, limits
from bundlekeeper.formats.json_fields import JsonReader
from bundlekeeper.model.media.index import MAX_FILES, MAX_VOLUMES, FilePart, SetFile, file_in, file_out, insist_on_paths

PLAN_SCHEMA = "bundlekeeper.media-plan/1"

_PLATFORM = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_KEYS = {"schema", "platform", "for", "manifest", "volumes", "files", "missing", "packing"}
_VOLUME_KEYS = {"number", "kind", "file_system", "usable", "reserved", "used", "largest_file"}
_MISSING_KEYS = {"code", "level", "subject", "says", "hint"}
_PACKING_KEYS = {"exact", "says", "with_tool"}


@dataclass(frozen=True, slots=True)
class PlannedFile:
    """One file of the set and where it lies now.

    `source` is its path inside the store (POSIX), or an absolute path: a manifest that was named and not taken.
    """

    file: SetFile
    source: str


@dataclass(frozen=True, slots=True)
class PlannedVolume:
    """One volume. Bytes: `usable` for everything that is written, `reserved` of them for what every volume carries
    and for what was to be spared, `used` by its files with the file system's rounding; `largest_file` at most.

    `kind` is as the user named it (`16GB:fat32`), `file_system` one of model.volumes.FILE_SYSTEMS.
    """

    number: int
    kind: str
    file_system: str
    usable: int
    reserved: int
    used: int
    largest_file: int


@dataclass(frozen=True, slots=True)
class SetPlan:
    """A whole plan. `missing` is what the set lacks to be complete; `exact` that no better packing exists, by `says`.

    `manifest` is the SHA-256 of the manifest that it is made by; `with_tool` that room for the tool's folder is kept.
    """

    platform: str
    meant_for: str
    manifest: str
    manifest_sequence: int
    volumes: tuple[PlannedVolume, ...]
    files: tuple[PlannedFile, ...]
    missing: tuple[Finding, ...] = field(default=())
    exact: bool = True
    says: str = ""
    with_tool: bool = False

    def on(self, volume: int) -> Iterator[tuple[PlannedFile, FilePart]]:
        """The files and parts that a volume is to hold, by path."""
        rows = [(f, p) for f in self.files for p in f.file.parts if p.volume == volume]
        yield from sorted(rows, key=lambda row: row[1].path)

    @property
    def sha256(self) -> str:
        """SHA-256 of the plan's bytes: a set that was begun is found again by it."""
        return hashlib.sha256(write_plan(self)).hexdigest()


def write_plan(plan: SetPlan) -> bytes:
    """The plan's bytes; what is read from them is equal to `plan`."""
    document: dict[str, Any] = {
        "schema": PLAN_SCHEMA,
        "platform": plan.platform,
        "for": plan.meant_for,
        "manifest": {"sha256": plan.manifest, "sequence": plan.manifest_sequence},
        "volumes": [_volume_out(v) for v in plan.volumes],
        "files": [{**file_out(f.file), "source": f.source} for f in plan.files],
        "missing": [_missing_out(f) for f in plan.missing],
        "packing": {"exact": plan.exact, "says": plan.says, "with_tool": plan.with_tool},
    }
    return json.dumps(document, sort_keys=True, indent=1, ensure_ascii=True).encode() + b"\n"


def read_plan(data: bytes, where: str = "") -> SetPlan:
    """Read a plan strictly.

    Raises InputError: too large, no JSON, an unknown format (both named), a missing or unknown key, a value that can't
    be, volumes that are not numbered 1, 2, 3 …, a path that is unsafe or met twice, parts that do not make up their
    file or are larger than their volume takes.
    """
    if len(data) > limits.SET_PLAN_BYTES:
        raise InputError(f"the plan is larger than {limits.SET_PLAN_BYTES} bytes", where=where)
    found = json_read.loads(data, where)
    reader = JsonReader("the plan", where)
    schema = found.get("schema") if isinstance(found, dict) else None
    if schema != PLAN_SCHEMA:
        shown = f"of format {str(schema)[:80]!r}" if isinstance(schema, str) else "no plan of a media set"
        raise InputError(
            f"this is {shown}, this version reads {PLAN_SCHEMA}", where=where, hint="bundlekeeper media plan --out FILE"
        )
    table = reader.table(found, "", _KEYS)
    by = reader.table(table["manifest"], "/manifest", {"sha256", "sequence"})
    packing = reader.table(table["packing"], "/packing", _PACKING_KEYS)
    volumes = reader.array(table["volumes"], "/volumes", MAX_VOLUMES)
    files = reader.array(table["files"], "/files", MAX_FILES)
    plan = SetPlan(
        platform=reader.matching(table["platform"], "/platform", _PLATFORM, 64),
        meant_for=reader.text(table["for"], "/for"),
        manifest=reader.hexadecimal(by["sha256"], "/manifest/sha256", 64),
        manifest_sequence=reader.number(by["sequence"], "/manifest/sequence"),
        volumes=tuple(_volume_in(reader, row, f"/volumes/{i}", i + 1) for i, row in enumerate(volumes)),
        files=tuple(_file_in(reader, row, f"/files/{i}", len(volumes)) for i, row in enumerate(files)),
        missing=tuple(
            _missing_in(reader, row, f"/missing/{i}")
            for i, row in enumerate(reader.array(table["missing"], "/missing", MAX_FILES))
        ),
        exact=reader.boolean(packing["exact"], "/packing/exact"),
        says=reader.text(packing["says"], "/packing/says", empty=True),
        with_tool=reader.boolean(packing["with_tool"], "/packing/with_tool"),
    )
    insist_on_paths(reader, (f.file for f in plan.files))
    _insist_on_sizes(reader, plan)
    return plan


def _volume_out(each: PlannedVolume) -> dict[str, Any]:
    return {
        "number": each.number,
        "kind": each.kind,
        "file_system": each.file_system,
        "usable": each.usable,
        "reserved": each.reserved,
        "used": each.used,
        "largest_file": each.largest_file,
    }


def _volume_in(reader: JsonReader, found: object, at: str, number: int) -> PlannedVolume:
    table = reader.table(found, at, _VOLUME_KEYS)
    return PlannedVolume(
        number=reader.number(table["number"], f"{at}/number", least=number, most=number),
        kind=reader.text(table["kind"], f"{at}/kind"),
        file_system=reader.text(table["file_system"], f"{at}/file_system"),
        usable=reader.number(table["usable"], f"{at}/usable"),
        reserved=reader.number(table["reserved"], f"{at}/reserved"),
        used=reader.number(table["used"], f"{at}/used"),
        largest_file=reader.number(table["largest_file"], f"{at}/largest_file"),
    )


def _file_in(reader: JsonReader, found: object, at: str, volumes: int) -> PlannedFile:
    row = dict(found) if isinstance(found, dict) else found
    source = row.pop("source", None) if isinstance(row, dict) else None
    text = reader.text(source, f"{at}/source")
    if "\0" in text or ".." in text.split("/"):
        raise reader.wrong(f"{at}/source", "leads out of the store")
    return PlannedFile(file_in(reader, row, at, volumes, read=False), text)


def _missing_out(each: Finding) -> dict[str, Any]:
    return {
        "code": each.code,
        "level": each.level.value,
        "subject": each.subject,
        "says": each.says,
        "hint": each.hint,
    }


def _missing_in(reader: JsonReader, found: object, at: str) -> Finding:
    table: Mapping[str, object] = reader.table(found, at, _MISSING_KEYS)
    code = reader.text(table["code"], f"{at}/code")
    level = reader.text(table["level"], f"{at}/level")
    if code not in CODES or level not in list(Level):
        raise reader.wrong(at, "has a code or a level that does not exist")
    return Finding(
        code,
        Level(level),
        reader.text(table["subject"], f"{at}/subject"),
        reader.text(table["says"], f"{at}/says"),
        reader.text(table["hint"], f"{at}/hint", empty=True),
    )


def _insist_on_sizes(reader: JsonReader, plan: SetPlan) -> None:
    for i, each in enumerate(plan.files):
        for part in each.file.parts:
            if part.size > plan.volumes[part.volume - 1].largest_file:
                raise reader.wrong(f"/files/{i}", f"is larger than a file on volume {part.volume} may be")
