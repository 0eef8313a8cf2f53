#!/usr/bin/env python3
"""Verifies volumes of a media set: python3 verify.py [FOLDER...]   (default: the folder that this file is in)

Rules: Python 3.8 or newer and its standard library, nothing else, because it travels on every volume; it only reads,
follows no link, opens only regular files that it saw in the folder, and reads no more of them than they can have; every
problem is reported, and what was not verified is never called good; nothing is printed that could move the cursor; it
shows damage and not origin: whoever can change a medium can change this file, too.
Exit status: 0 whole, 1 damaged or not whole, 2 wrong arguments, or the output was closed early, 130 stopped.
Formats: RFC 8493 (BagIt 1.0); GNU coreutils' checksum lines; the set's own index, where it is there.
"""

# os.path works alike on every Python that this may meet; zip has no `strict` before 3.10.
# ruff: noqa: PTH100, PTH112, PTH120, PTH123
from __future__ import annotations

import hashlib
import itertools
import json
import os
import re
import signal
import stat
import sys
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

LIMIT = 32 * 1024 * 1024  # bytes of a text, lists among them
LINES = 100_000  # of a list: as many files as a set may have
ENTRIES, DEPTH = 200_000, 32  # of a folder: more is not looked at
REPEATED = 100  # problems that are listed again at the end
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
INDEX = "set-index.json"
SUMS, TAG_MANIFEST = "SHA256SUMS", "tagmanifest-sha256.txt"
MARK = "UNFINISHED.txt"
EVERY = (SUMS, TAG_MANIFEST, INDEX, INDEX + ".sig", "bag-info.txt", "READ-ME-FIRST.txt")
LINE = re.compile(r"\\?([0-9A-Fa-f]{32,128}) [ *]?(.+)")
UNSAFE = re.compile(r"^~|[\\:\x00-\x1f]|(?:^|/)\.{0,2}(?:/|\Z)")
LENGTHS = {"md5": 32, "sha1": 40, "sha256": 64, "sha384": 96, "sha512": 128}
USAGE, STOPPED = 2, 130


class Piece(NamedTuple):
    """What the set's index states for one file on a volume; `volume` is "0" for a text that is the same on all."""

    volume: str
    path: str
    size: int
    sha256: str


class Whole(NamedTuple):
    """What the set's index states for a file of the set, which is in pieces on one or more volumes."""

    path: str
    sha256: str
    common: bool
    pieces: list[Piece]


class Volume:
    """One folder: what its lists state, what was found, and everything that is wrong with it."""

    def __init__(self, root: str) -> None:
        """Nothing is read yet."""
        self.root = root
        self.problems: list[str] = []
        self.stated: dict[str, dict[str, set[str]]] = {}
        self.listed: dict[str, set[str]] = {}
        self.there: dict[str, int] = {}
        self.digests: dict[str, dict[str, str]] = {}
        self.labels: dict[str, str] | None = None
        self.wholes: list[Whole] = []
        self.named: list[Piece] = []
        self.indexed = False

    def wrong(self, path: str, message: str) -> None:
        """Remember a problem and print it at once."""
        self.problems.append(path + ": " + message)
        print("  WRONG  " + shown(path) + ": " + shown(message))

    def text(self, path: str) -> str:
        """A text of the volume; empty where it cannot be read, which is then a problem."""
        try:
            if self.there[path] > LIMIT:
                raise ValueError(f"{self.there[path]} bytes, larger than any text of a volume")
            return b"".join(blocks(self.root, path, LIMIT)).decode("utf-8")
        except (OSError, ValueError) as error:
            self.wrong(path, "cannot be read: " + str(getattr(error, "strerror", None) or error))
            return ""

    def lines(self, path: str) -> list[str]:
        """The lines of a text of the volume; none where there are too many, which is then a problem."""
        text = self.text(path)
        if text.count("\n") + text.count("\r") > 2 * LINES:  # counted before they are made
            self.wrong(path, f"has more than {LINES} lines: none was read")
            return []
        lines = lines_of(text)
        if len(lines) > LINES + 1:
            self.wrong(path, f"has more than {LINES} lines: none was read")
            return []
        return lines

    def look(self) -> None:
        """Find every file below the folder; a link or a device is a problem."""
        waiting, left = [""], ENTRIES
        while waiting:
            above = waiting.pop()
            try:
                with os.scandir(os.path.join(self.root, *above.split("/"))) as listing:
                    entries = sorted(itertools.islice(listing, left + 1), key=lambda entry: entry.name)
            except OSError as error:
                self.wrong(above or ".", "cannot be looked into: " + str(error.strerror))
                continue
            for entry in entries:
                left -= 1
                if left < 0:
                    return self.wrong(
                        above or ".", f"more than {ENTRIES} files and folders: the rest was not looked at"
                    )
                waiting += self._look_at(above + entry.name, entry)
        return None

    def _look_at(self, path: str, entry: os.DirEntry[str]) -> Iterator[str]:
        """Remember a file; yields a folder that is to be looked into."""
        try:
            status = entry.stat(follow_symlinks=False)
        except OSError as error:
            return self.wrong(path, "cannot be looked at: " + str(error.strerror))
        if stat.S_ISREG(status.st_mode):
            self.there[path] = status.st_size
        elif not stat.S_ISDIR(status.st_mode):
            self.wrong(path, "is neither a file nor a folder")
        elif path.count("/") >= DEPTH:
            self.wrong(path, f"more than {DEPTH} folders inside each other: not looked into")
        else:
            yield path + "/"
        return None

    def lists(self) -> None:
        """Read every list of checksums: manifests, tag manifests, SHA256SUMS."""
        found = 0
        for name in sorted(self.there):
            match = re.match(r"(tag)?manifest-([a-z0-9]+)\.txt$", name)
            if match is None and name != SUMS:
                continue
            algorithm = match.group(2) if match is not None else "sha256"
            if algorithm not in LENGTHS:
                self.wrong(name, "uses an algorithm that is not known")
                continue
            found += name == "manifest-sha256.txt"
            for line in self.lines(name):
                self._line(name, algorithm, line)
        if not found:
            self.wrong("manifest-sha256.txt", "is not there: the files of the volume cannot be verified")

    def _line(self, name: str, algorithm: str, line: str) -> None:
        row = LINE.match(line)
        if row is None or len(row.group(1)) != LENGTHS[algorithm]:
            if line.strip():
                self.wrong(name, "has a line that is not a checksum and a name: " + line[:80])
            return
        path = row.group(2)
        if not safe(path):
            self.wrong(name, "names a place outside the volume: " + path[:80])
            return
        self.stated.setdefault(path, {}).setdefault(algorithm, set()).add(row.group(1).lower())
        self.listed.setdefault(name, set()).add(path)

    def verify(self) -> None:
        """Read every listed file once, and compare it with all its checksums."""
        for path in sorted(self.stated):
            if path not in self.there:
                self.wrong(path, "is missing")
                continue
            unread = self._unread(path)
            if unread:
                self.wrong(path, unread + ": not read")
                continue
            try:
                found = read(self.root, path, sorted(set(self.stated[path]) | {"sha256"}), self.there[path])
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

    def _unread(self, path: str) -> str:
        """Why a listed file cannot be right, whatever is in it: only files of a stated size are read."""
        size = self.there[path]
        sizes = sorted({piece.size for piece in self.named if piece.path == path})
        if sizes:
            stated = " or ".join(map(str, sizes))
            return "" if size in sizes else f"DAMAGED: has {size} bytes, the set's index says {stated}"
        if path.startswith("data/") and self.indexed:
            return f"has {size} bytes, and the set's index does not name it"
        oxum = re.match(r"([0-9]{1,18})\.", self.info("Payload-Oxum"))
        most = int(oxum.group(1)) if oxum is not None and path.startswith("data/") else LIMIT
        return "" if size <= most else f"has {size} bytes, more than it can have"

    def unfinished(self) -> bool:
        """True where the file that is written last is not there."""
        return "bagit.txt" not in self.there

    def form(self) -> None:
        """Check bagit.txt, the files that every volume has, and the sum of the payload (RFC 8493, Payload-Oxum)."""
        if self.unfinished():
            self.wrong("bagit.txt", "is not there: the volume was not finished")
        elif self.text("bagit.txt").replace("\r\n", "\n") != DECLARATION:
            self.wrong("bagit.txt", "is not the two lines that it must be")
        for name in EVERY:
            if name not in self.there and name not in self.stated and not self.unfinished():
                self.wrong(name, "is not there: every volume of a set has it")
        texts = {SUMS, *self.listed.get(SUMS, ())} if SUMS in self.there and TAG_MANIFEST in self.there else set()
        for path in sorted(texts - self.listed.get(TAG_MANIFEST, set())):  # no other list says what is in that one
            if not path.startswith("data/"):
                self.wrong(TAG_MANIFEST, "has no line for " + path)
        payload = [size for path, size in self.there.items() if path.startswith("data/")]
        stated = self.info("Payload-Oxum")
        real = f"{sum(payload)}.{len(payload)}"
        if stated and stated != real:
            self.wrong("bag-info.txt", f"says {stated} bytes.files; there are {real}")

    def info(self, label: str) -> str:
        """A value of bag-info.txt; empty where it is not there."""
        if self.labels is None:
            self.labels = {}
            for line in self.lines("bag-info.txt") if "bag-info.txt" in self.there else ():
                name, _, value = line.partition(":")
                self.labels.setdefault(name, value.strip())
        return self.labels.get(label, "")

    def number(self) -> str:
        """Which volume of the set it is, as it says itself."""
        return self.info("Bag-Count").partition(" ")[0]

    def index(self) -> None:
        """Read the set's index."""
        if INDEX not in self.there:
            return
        try:
            found = json.loads(self.text(INDEX), parse_int=whole_number)
            self.wholes = [whole(row) for row in rows(found["files"])]
            texts = [piece(row, "") for row in rows(found["texts"])]
            self.named = [each for file in self.wholes for each in file.pieces] + texts
            self.indexed = True
        except (ValueError, TypeError, KeyError, RecursionError) as error:
            self.wrong(INDEX, f"is not an index in the right form ({type(error).__name__}: {str(error)[:80]})")

    def parts(self) -> None:
        """Compare what the index states for this volume with what was read."""
        number = self.number()
        if self.indexed and number not in {each.volume for file in self.wholes for each in file.pieces}:
            self.wrong("bag-info.txt", "its Bag-Count is no volume of the set's index")
        with_tool = any(path.startswith("tool/") for path in self.there)
        for each in self.named:
            if each.volume not in ("0", number) or (each.path.startswith("tool/") and not with_tool):
                continue  # not every volume has the tool
            found = self.digests.get(each.path)
            if found is None:
                self.wrong(each.path, "is named by the set's index, but was not verified")
            elif found["sha256"] != each.sha256:
                self.wrong(each.path, "is not what the set's index says")


def rows(found: object) -> list[Any]:
    """An array of the index. Raises ValueError."""
    if not isinstance(found, list):
        raise ValueError("no array")
    return found


def whole_number(digits: str) -> int:
    """A number of the index; a very long one would take Python much time. Raises ValueError."""
    if len(digits) > 18:
        raise ValueError("a number that is far too long")
    return int(digits)


def piece(row: dict[str, Any], above: str) -> Piece:
    """A part or a text of the index; `above` is the folder that it lies in. Raises ValueError, TypeError, KeyError."""
    volume, path, size, sha256 = row["volume"], row["path"], row["size"], row["sha256"]
    if not (type(volume) is type(size) is int and isinstance(path, str) and isinstance(sha256, str)):
        raise ValueError("a value of the wrong kind")
    if not safe(path):
        raise ValueError("it names a place outside the volume: " + path[:40])
    return Piece(str(volume), above + path, size, sha256)


def whole(row: dict[str, Any]) -> Whole:
    """A file of the index. Raises ValueError, TypeError, KeyError."""
    path, sha256, common = row["path"], row["sha256"], row["common"]
    if not (isinstance(path, str) and isinstance(sha256, str) and isinstance(common, bool)):
        raise ValueError("a value of the wrong kind")
    return Whole(path, sha256, common, [piece(part, "data/") for part in rows(row["parts"])])


def lines_of(text: str) -> list[str]:
    """The lines of a text (RFC 8493 section 2.1.1): only LF, CR or both end a line."""
    return re.split(r"\r\n|\r|\n", text)


def safe(path: str) -> bool:
    """True for a path that stays inside, by any system's rules (RFC 8493 section 5.2)."""
    return UNSAFE.search(path) is None


def shown(text: str) -> str:
    """A text without anything that could move the cursor or reorder what is printed."""
    return text if text.isprintable() else "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)


def blocks(root: str, path: str, most: int) -> Iterator[bytes]:
    """The bytes of a regular file in the folder, no link, at most `most`. Raises OSError."""
    flags = os.O_RDONLY
    for name in ("O_NOFOLLOW", "O_NONBLOCK", "O_BINARY", "O_NOINHERIT"):  # as far as the system has them
        flags |= getattr(os, name, 0)
    fd = os.open(os.path.join(root, *path.split("/")), flags)
    with open(fd, "rb", buffering=0) as file:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise OSError(22, "no regular file")
        while most > 0:
            block = file.read(min(most, 1 << 20))
            if not block:
                return
            most -= len(block)
            yield block
        if file.read(1):
            raise OSError(22, "it grew while it was read")


def read(root: str, path: str, algorithms: Iterable[str], size: int) -> dict[str, str]:
    """The digests of a file, read once. Raises OSError."""
    hashes = {name: hashlib.new(name) for name in algorithms}
    for block in blocks(root, path, size):
        for each in hashes.values():
            each.update(block)
    return {name: each.hexdigest() for name, each in hashes.items()}


def whole_files(volumes: list[Volume]) -> list[str]:
    """Verify split files as a whole, where all their parts are here; nothing is written. Returns what is wrong."""
    problems = []
    by_number = {volume.number(): volume for volume in volumes}
    for each in volumes[0].wholes:
        if each.common or len(each.pieces) < 2:
            continue
        homes = [(part, by_number[part.volume]) for part in each.pieces if part.volume in by_number]
        if len(homes) < len(each.pieces):
            lacking = ", ".join(part.volume for part in each.pieces if part.volume not in by_number)
            print("  part   " + shown(each.path) + ": not verified as a whole; volumes that were not given: " + lacking)
            continue
        digest = hashlib.sha256()
        try:
            for part, home in homes:
                for block in blocks(home.root, part.path, part.size):
                    digest.update(block)
        except OSError as error:
            problems.append(each.path)
            print("  WRONG  " + shown(each.path) + ": cannot be read: " + str(error.strerror))
            continue
        good = digest.hexdigest() == each.sha256
        problems += [] if good else [each.path]
        print(("  ok     " if good else "  WRONG  DAMAGED: ") + shown(each.path) + " as a whole, from its parts")
    return problems


def same_set(volumes: list[Volume]) -> list[str]:
    """A problem where the folders are of different sets, whatever their names."""
    ids = sorted({v.info("Bag-Group-Identifier") for v in volumes} - {""})  # an unfinished one says nothing yet
    if len(ids) > 1:
        return ["these folders are of different sets: " + ", ".join(ids)]
    indexes = {v.digests[INDEX]["sha256"] for v in volumes if INDEX in v.digests}
    return [] if len(indexes) < 2 else [INDEX + ": the volumes of one set carry different ones"]


def main(arguments: list[str]) -> int:
    """Verify every folder that is named; returns the exit status."""
    roots = arguments or [os.path.dirname(os.path.abspath(__file__))]
    if any(root.startswith("-") or not os.path.isdir(root) for root in roots):
        print(__doc__)
        return USAGE
    volumes = [Volume(root) for root in roots]
    for volume in volumes:
        print(shown(volume.root))
        volume.look()
        volume.lists()
        volume.index()
        volume.verify()
        volume.form()
        volume.parts()
    problems = [problem for volume in volumes for problem in volume.problems] + same_set(volumes)
    if not problems:
        problems += whole_files(volumes)
    count = sum(len(volume.digests) for volume in volumes)
    print(f"{count} files read, {len(problems)} problems")
    for problem in problems[:REPEATED]:
        print("  " + shown(problem))
    if len(problems) > REPEATED:
        print(f"  and {len(problems) - REPEATED} more, above")
    print("This shows damage, not origin. The signature of the set shows who made it, under a key that you")
    print("got by another way than this medium: bundlekeeper media receive FOLDER...")
    return 1 if problems else 0


def run(arguments: list[str]) -> int:
    """Verify, also where standard output lacks characters of a name, or is closed before the end."""
    reconfigure = getattr(sys.stdout, "reconfigure", None)  # a stream that replaced it may have none
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")
    try:
        status = main(arguments)
        sys.stdout.flush()
        return status
    except KeyboardInterrupt:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        print("stopped before the end: what was not read was not verified", flush=True)
        return STOPPED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or Python prints an error at its end
        return USAGE


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
