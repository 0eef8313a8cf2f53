#!/usr/bin/env python3
"""Checks volumes of a media set for damage: python3 verify.py [FOLDER...]   (default: the folder that this file is in)

Rules: Python 3.8 or newer and its standard library, nothing else, because it travels on every volume; it only reads,
follows no link and looks at nothing outside the folder; every problem is told, and what was not checked is never called
good; it shows damage and not origin: whoever can change a medium can change this file, too.
Exit status: 0 whole, 1 damaged or not whole, 2 could not be run that way, or nobody read to the end.
Formats: RFC 8493 (BagIt 1.0); GNU coreutils' checksum lines; the set's own index, where it is there.
"""

# os.path works alike on every Python that this may meet; zip has no `strict` before 3.10.
# ruff: noqa: PTH100, PTH112, PTH120, PTH123, B905
from __future__ import annotations

import hashlib
import json
import os
import re
import stat
import sys
from typing import Any

LIMIT = 64 * 1024 * 1024  # bytes of a text that is read whole
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
INDEX = "set-index.json"
SUMS, TAG_MANIFEST = "SHA256SUMS", "tagmanifest-sha256.txt"
MARK = "UNFINISHED.txt"
EVERY = (SUMS, TAG_MANIFEST, INDEX, INDEX + ".sig", "bag-info.txt", "READ-ME-FIRST.txt")
LINE = re.compile(r"\\?([0-9A-Fa-f]{32,128}) [ *]?(.+)")
LENGTHS = {"md5": 32, "sha1": 40, "sha256": 64, "sha384": 96, "sha512": 128}
USAGE = 2


class Volume:
    """One folder: what its lists say, what was found, and all that is wrong with it."""

    def __init__(self, root: str) -> None:
        """Nothing is read yet."""
        self.root = root
        self.problems: list[str] = []
        self.stated: dict[str, dict[str, set[str]]] = {}
        self.there: dict[str, int] = {}
        self.digests: dict[str, dict[str, str]] = {}

    def wrong(self, path: str, says: str) -> None:
        """Remember a problem and tell it at once."""
        self.problems.append(path + ": " + says)
        print("  WRONG  " + shown(path) + ": " + says)

    def text(self, path: str) -> str:
        """A text of the volume; empty where it cannot be read, which is then a problem."""
        try:
            with open(os.path.join(self.root, *path.split("/")), "rb") as file:
                data = file.read(LIMIT + 1)
            if len(data) > LIMIT:
                raise ValueError("far too large")
            return data.decode("utf-8")
        except (OSError, ValueError) as error:
            self.wrong(path, "cannot be read: " + str(error))
            return ""

    def look(self) -> None:
        """Find every file below the folder; a link or a device has no place there."""
        for folder, folders, names in os.walk(self.root, onerror=self._unseen):
            for name in sorted(folders + names):
                full = os.path.join(folder, name)
                path = os.path.relpath(full, self.root).replace(os.sep, "/")
                mode = os.lstat(full).st_mode
                if stat.S_ISREG(mode):
                    self.there[path] = os.lstat(full).st_size
                elif not stat.S_ISDIR(mode):
                    self.wrong(path, "is neither a file nor a folder")

    def _unseen(self, error: OSError) -> None:
        self.wrong(str(error.filename), "cannot be looked into: " + str(error.strerror))

    def lists(self) -> None:
        """Read every list of checksums: manifests, tag manifests, SHA256SUMS."""
        found = 0
        for name in sorted(self.there):
            match = re.match(r"(tag)?manifest-([a-z0-9]+)\.txt$", name)
            if match is None and name != SUMS:
                continue
            algorithm = match.group(2) if match is not None else "sha256"
            if algorithm not in LENGTHS:
                self.wrong(name, "is of an algorithm that is not known here")
                continue
            found += name == "manifest-sha256.txt"
            for line in self.text(name).splitlines():
                self._line(name, algorithm, line)
        if not found:
            self.wrong("manifest-sha256.txt", "is not there: nothing proves what the volume holds")

    def _line(self, name: str, algorithm: str, line: str) -> None:
        row = LINE.match(line)
        if row is None or len(row.group(1)) != LENGTHS[algorithm]:
            if line.strip():
                self.wrong(name, "has a line that is no checksum and name: " + shown(line[:80]))
            return
        path = row.group(2).strip("\r")
        if not safe(path):
            self.wrong(name, "names a place outside the volume: " + shown(path[:80]))
            return
        self.stated.setdefault(path, {}).setdefault(algorithm, set()).add(row.group(1).lower())

    def prove(self) -> None:
        """Read every listed file once, and hold it against all that is said of it."""
        for path in sorted(self.stated):
            if path not in self.there:
                self.wrong(path, "is missing")
                continue
            try:
                found = read(os.path.join(self.root, *path.split("/")), sorted(set(self.stated[path]) | {"sha256"}))
            except OSError as error:
                self.wrong(path, "cannot be read: " + str(error.strerror))
                continue
            self.digests[path] = found
            bad = [name for name, sums in self.stated[path].items() if sums != {found[name]}]
            if bad:
                self.wrong(path, f"DAMAGED: its {bad[0]} is {found[bad[0]]}")
            else:
                print("  ok     " + shown(path))
        for path in sorted(self.there):
            if path not in self.stated and path not in (SUMS, TAG_MANIFEST, MARK if self.unfinished() else ""):
                self.wrong(path, "is in no list")

    def unfinished(self) -> bool:
        """True where the file is not there that is written last."""
        return "bagit.txt" not in self.there

    def form(self) -> None:
        """The mark that it was finished, what every volume has, the sum of its payload (RFC 8493, Payload-Oxum)."""
        if self.unfinished():
            self.wrong("bagit.txt", "is not there: the volume was not finished")
        elif self.text("bagit.txt").replace("\r\n", "\n") != DECLARATION:
            self.wrong("bagit.txt", "is not the two lines that it must be")
        for name in EVERY:
            if name not in self.there and name not in self.stated and not self.unfinished():
                self.wrong(name, "is not there: every volume of a set is written with it")
        payload = [size for path, size in self.there.items() if path.startswith("data/")]
        stated = self.info("Payload-Oxum")
        real = f"{sum(payload)}.{len(payload)}"
        if stated and stated != real:
            self.wrong("bag-info.txt", f"says {stated} bytes.files, there are {real}")

    def info(self, label: str) -> str:
        """A value of bag-info.txt; empty where it does not stand there."""
        if "bag-info.txt" not in self.there:
            return ""
        for line in self.text("bag-info.txt").splitlines():
            name, _, value = line.partition(":")
            if name == label:
                return value.strip()
        return ""

    def index(self) -> dict[str, Any]:
        """The set's index; empty where there is none or it is none."""
        if INDEX not in self.there:
            return {}
        try:
            found = json.loads(self.text(INDEX))
            return found if isinstance(found, dict) else {}
        except (ValueError, RecursionError):
            self.wrong(INDEX, "is no index")
            return {}

    def parts(self) -> None:
        """Hold what the index says of this volume against what was read."""
        number = self.info("Bag-Count").partition(" ")[0]
        try:
            rows = [p for f in self.index().get("files", []) for p in f["parts"] if str(p["volume"]) == number]
            for part in rows:
                found = self.digests.get("data/" + part["path"])
                if found is not None and found["sha256"] != part["sha256"]:
                    self.wrong("data/" + part["path"], "is not what the set's index says")
                elif found is None:
                    self.wrong("data/" + part["path"], "is named by the set's index, and was not proven")
        except (TypeError, KeyError, AttributeError):
            self.wrong(INDEX, "is not formed as an index must be")


def safe(path: str) -> bool:
    """True for a path that stays inside, by any system's rules (RFC 8493 section 5.2)."""
    names = path.split("/")
    return not path.startswith("~") and not any(
        name in ("", ".", "..") or re.search(r"[\\:\x00-\x1f]", name) for name in names
    )


def shown(text: str) -> str:
    """A text without anything that could move the cursor or reorder what is printed."""
    return text if text.isprintable() else "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)


def read(full: str, algorithms: list[str]) -> dict[str, str]:
    """The digests of a regular file, read once. Raises OSError."""
    hashes = {name: hashlib.new(name) for name in algorithms}
    with open(full, "rb", buffering=0) as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise OSError(22, "no regular file")
        for block in iter(lambda: file.read(1 << 20), b""):
            for each in hashes.values():
                each.update(block)
    return {name: each.hexdigest() for name, each in hashes.items()}


def whole_files(volumes: list[Volume]) -> list[str]:
    """Put the parts of split files together, in thought, where all of them are here. Returns what is wrong."""
    problems = []
    by_number = {v.info("Bag-Count").partition(" ")[0]: v for v in volumes}
    for each in volumes[0].index().get("files", []):
        parts = each["parts"]
        if each["common"] or len(parts) < 2:
            continue
        homes = [by_number.get(str(part["volume"])) for part in parts]
        if None in homes:
            lacking = ", ".join(str(p["volume"]) for p, home in zip(parts, homes) if home is None)
            print("  part   " + shown(each["path"]) + ": not proven as a whole, volumes not given: " + lacking)
            continue
        whole = hashlib.sha256()
        try:
            for part, home in zip(parts, homes):
                full = os.path.join(home.root if home else "", "data", *part["path"].split("/"))
                with open(full, "rb", buffering=0) as file:
                    for block in iter(lambda: file.read(1 << 20), b""):
                        whole.update(block)
        except OSError as error:
            problems.append(each["path"])
            print("  WRONG  " + shown(each["path"]) + ": cannot be read: " + str(error.strerror))
            continue
        good = whole.hexdigest() == each["sha256"]
        problems += [] if good else [each["path"]]
        print(("  ok     " if good else "  WRONG  DAMAGED: ") + shown(each["path"]) + " as a whole, from its parts")
    return problems


def same_set(volumes: list[Volume]) -> list[str]:
    """Volumes of different sets are not one set, however their folders are called."""
    ids = sorted({v.info("Bag-Group-Identifier") for v in volumes} - {""})  # an unfinished one says nothing yet
    return [] if len(ids) < 2 else ["these folders are of different sets: " + ", ".join(shown(i) for i in ids)]


def main(arguments: list[str]) -> int:
    """Check every folder that is named; returns the exit status."""
    roots = arguments or [os.path.dirname(os.path.abspath(__file__))]
    if any(root.startswith("-") or not os.path.isdir(root) for root in roots):
        print(__doc__)
        return USAGE
    volumes = [Volume(root) for root in roots]
    for volume in volumes:
        print(shown(volume.root))
        volume.look()
        volume.lists()
        volume.prove()
        volume.form()
        volume.parts()
    problems = [problem for volume in volumes for problem in volume.problems] + same_set(volumes)
    if not problems:
        problems += whole_files(volumes)
    count = sum(len(volume.digests) for volume in volumes)
    print(f"{count} files read, {len(problems)} problems")
    for problem in problems:
        print("  " + shown(problem))
    print("This shows damage, not origin: who made the set is shown by its signature, under a key that you")
    print("have had by another way than this medium: bundlekeeper media receive FOLDER...")
    return 1 if problems else 0


def run(arguments: list[str]) -> int:
    """Check, whatever standard output is: without the signs of a name, or closed before the end."""
    reconfigure = getattr(sys.stdout, "reconfigure", None)  # a stream that somebody put there may have none
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")
    try:
        status = main(arguments)
        sys.stdout.flush()
        return status
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or Python complains once more at its end
        return USAGE


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
