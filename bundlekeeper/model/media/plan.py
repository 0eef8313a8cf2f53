"""The plan of a media set: every file with its place in the store, what lies on which volume, what is missing.

Rules: plain values, no I/O, no clock; the same store, manifest and request give the same bytes; sizes are bytes; the
parts of a split file have no digests, because nothing was read yet; what is missing is written into the plan, so that
nobody writes an incomplete set without knowing; a plan that was changed by hand is read as strictly as any.
Form: JSON, indented, sorted keys, one LF at the end. Not signed: it says what is to be written, it verifies nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field

from bundlekeeper.findings import CODES, Finding, Level
from bundlekeeper.formats import limits
from bundlekeeper.formats.document import (
    JsonDocument,
    Misfit,
    array,
    converted,
    flag,
    forms_of,
    named,
    nested,
    one_of,
    table,
    text,
    whole,
)
from bundlekeeper.model.media.index import DIGEST, MAX_FILES, MAX_VOLUMES, PLATFORM, FilePart, SetFile, insist_on_files

_MISSING = table(
    Finding,
    {
        "code": text(),
        "level": converted(one_of(Level), Level, str),
        "subject": text(),
        "message": text(),
        "hint": text(empty=True),
    },
)


@dataclass(frozen=True, slots=True)
class PlannedFile:
    """One file of the set and where it lies now.

    `source` is its path inside the store (POSIX), or an absolute path: a manifest that was named and not taken.
    """

    file: SetFile
    source: str


_FILE = table(
    lambda source, **of_file: PlannedFile(SetFile(**of_file), source),
    {**forms_of(SetFile), "source": text()},
    get=lambda planned, name: getattr(planned if name == "source" else planned.file, name),
)


@dataclass(frozen=True, slots=True)
class PlannedVolume:
    """One volume. Bytes: `usable` for everything that is written, `reserved` of them for what every volume carries
    and for what was to be spared, `used` by its files with the file system's rounding; `largest_file` at most.

    `kind` is as the user named it (`16GB:fat32`), `file_system` one of model.volumes.FILE_SYSTEMS.
    """

    number: int = field(metadata=whole(1))
    kind: str = field(metadata=text())
    file_system: str = field(metadata=text())
    usable: int = field(metadata=whole())
    reserved: int = field(metadata=whole())
    used: int = field(metadata=whole())
    largest_file: int = field(metadata=whole())


@dataclass(frozen=True, slots=True)
class SetPlan:
    """A whole plan. `missing` is what the set lacks to be complete; `exact` that no better packing exists, by `message`.

    `manifest` is the SHA-256 of the manifest that it is made by; `with_tool` that space for the tool's folder is kept.
    """

    platform: str = field(metadata=PLATFORM)
    meant_for: str = field(metadata=named("for", text()))
    manifest: str = field(metadata=named("manifest/sha256", DIGEST))
    manifest_sequence: int = field(metadata=named("manifest/sequence", whole()))
    volumes: tuple[PlannedVolume, ...] = field(metadata=array(nested(PlannedVolume), MAX_VOLUMES))
    files: tuple[PlannedFile, ...] = field(metadata=array(_FILE, MAX_FILES))
    missing: tuple[Finding, ...] = field(default=(), metadata=array(_MISSING, MAX_FILES))
    exact: bool = field(default=True, metadata=named("packing/exact", flag()))
    message: str = field(default="", metadata=named("packing/says", text(empty=True)))
    with_tool: bool = field(default=False, metadata=named("packing/with_tool", flag()))

    def on(self, volume: int) -> Iterator[tuple[PlannedFile, FilePart]]:
        """The files and parts that a volume is to hold, by path."""
        rows = [(planned, part) for planned in self.files for part in planned.file.parts if part.volume == volume]
        yield from sorted(rows, key=lambda row: row[1].path)

    @property
    def sha256(self) -> str:
        """SHA-256 of the plan's bytes: a set that was begun is found again by it."""
        return hashlib.sha256(write_plan(self)).hexdigest()


def write_plan(plan: SetPlan) -> bytes:
    """The plan's bytes; what is read from them is equal to `plan`."""
    return _PLAN.write(plan)


def read_plan(data: bytes, where: str = "") -> SetPlan:
    """Read a plan strictly.

    Raises InputError: as `JsonDocument.read`, and for volumes that are not numbered 1, 2, 3 …, a path that is met
    twice, parts that do not make up their file or are larger than their volume takes.
    """
    return _PLAN.read(data, where)


def _insist(plan: SetPlan) -> None:
    for i, volume in enumerate(plan.volumes):
        if volume.number != i + 1:
            raise Misfit(f"is no whole number from {i + 1} to {i + 1}", "volumes", i, "number")
    for i, planned in enumerate(plan.files):
        if "\0" in planned.source or ".." in planned.source.split("/"):
            raise Misfit("leads out of the store", "files", i, "source")
    for i, missing in enumerate(plan.missing):
        if missing.code not in CODES:
            raise Misfit("is a code that does not exist", "missing", i, "code")
    insist_on_files([planned.file for planned in plan.files], len(plan.volumes), read=False)
    for i, planned in enumerate(plan.files):
        for part in planned.file.parts:
            if part.size > plan.volumes[part.volume - 1].largest_file:
                raise Misfit(f"is larger than a file on volume {part.volume} may be", "files", i)


_PLAN = JsonDocument(
    SetPlan,
    "bundlekeeper.media-plan/1",
    what="the plan",
    kind="plan of a media set",
    hint="bundlekeeper media pack --out FILE",
    limit=limits.SET_PLAN_BYTES,
    indented=True,
    check=_insist,
)
