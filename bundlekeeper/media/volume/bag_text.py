"""The texts of a bag (RFC 8493, BagIt 1.0): bagit.txt, bag-info.txt, manifests; read strictly, written plainly. Pure.

Rules: every problem of a text is reported, none is repaired; CR, LF and CRLF end a line, CR, LF and `%` in a name are
%0D %0A %25 "and only those" (§2.1.3), from version 1.0 on; what leads out of the bag (§5.2) never comes out as a path;
we write no name that would need an escape, because common libraries disagree about them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.safe_names import collision_key, problems_of_name

DECLARATION = "bagit.txt"
INFO = "bag-info.txt"
FETCH = "fetch.txt"
PAYLOAD = "data"
#: §2.1.1; 0.97 is what common libraries still write.
VERSIONS = ("0.97", "1.0")
#: Digits in hexadecimal of each algorithm that we can check (§2.4: names of hash functions, lower case, letters only).
DIGITS = {"md5": 32, "sha1": 40, "sha224": 56, "sha256": 64, "sha384": 96, "sha512": 128}
#: Those that stand for anything today; §2.4: sha256 and sha512 must be supported, md5 and sha1 are for old bags.
STRONG = frozenset({"sha256", "sha384", "sha512"})

_MANIFEST = re.compile(r"(tag)?manifest-([A-Za-z0-9]+)\.txt")
_LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+(\S.*)")
_OXUM = re.compile(r"([0-9]{1,18})\.([0-9]{1,18})")
_ESCAPES = {"%0D": "\r", "%0A": "\n", "%25": "%"}
#: A path of which nothing can be unsafe (ASCII, no separator but the slash, no name too long), as nearly all are.
_PLAIN = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_+. -]{0,199}(?:/[A-Za-z0-9_][A-Za-z0-9_+. -]{0,199})*")
_MOST_TOLD = 100  # problems of one text
_LINE_OF = re.compile(r"([^\r\n]*)(?:\r\n|\r|\n|\Z)")
_LINE_ENDS = re.compile(r"\r\n|\r|\n")
#: Of the rules for names (`formats.safe_names`) those that a bag from elsewhere must keep: the others are good taste.
_UNSAFE = {"empty", "dots", "separator", "nul", "control", "format", "undecodable", "tilde", "drive", "long"}


@dataclass(frozen=True, slots=True)
class BagEntry:
    """One manifest: path to checksum (lower case), as it stands there, and all that is wrong with it."""

    checksums: Mapping[str, str] = field(default_factory=dict)
    problems: tuple[str, ...] = ()


def manifest_name(algorithm: str, *, tag: bool = False) -> str:
    """The name of a manifest's file (§2.1.3, §2.2.1)."""
    return f"{'tag' * tag}manifest-{algorithm}.txt"


def algorithm_of(name: str) -> tuple[str, bool] | None:
    """Of a manifest's file name the algorithm, lower case, and whether it is a tag manifest; None for other names."""
    found = _MANIFEST.fullmatch(name)
    return (found[2].lower(), bool(found[1])) if found else None


def unsafe(path: str) -> str:
    """Why a path may not be used, or nothing: §5.2, never outside the bag, by no system's rules.

    A tilde means a home folder only where the path begins with it.
    """
    if _PLAIN.fullmatch(path):
        return ""
    for number, name in enumerate(path.split("/")):
        for problem in problems_of_name(name):
            if problem.reason in _UNSAFE and not (number and problem.reason == "tilde"):
                return problem.message
    return ""


def path_key(path: str) -> str:
    """What two paths share when some file system takes them for one (§6)."""
    if path.isascii():
        return path.lower()
    return "/".join(collision_key(name) for name in path.split("/"))


def collisions(paths: Iterable[str]) -> list[tuple[str, str]]:
    """Pairs of different paths that some file system takes for one: case or Unicode's forms (§6)."""
    seen: dict[str, str] = {}
    return [(first, path) for path in paths if (first := seen.setdefault(path_key(path), path)) != path]


def lines_of(text: str) -> list[str]:
    """The lines of a tag file, which may end in LF, CR or CRLF (§2.1.1)."""
    return _LINE_ENDS.split(text)


def read_declaration(text: str) -> str:
    """The version that bagit.txt declares. Raises InputError for anything but its two lines (§2.1.1)."""
    lines = lines_of(text)
    if lines and lines[-1] == "":
        lines.pop()
    version = lines[0].removeprefix("BagIt-Version: ") if lines else ""
    encoding = lines[1].removeprefix("Tag-File-Character-Encoding: ") if len(lines) > 1 else ""
    if len(lines) != 2 or lines[0] == version or lines[1] == encoding:
        raise InputError("bagit.txt is not the two lines of BagIt's declaration", where=DECLARATION)
    if version not in VERSIONS:
        message = f"the bag is of version {visible(version)[:20]}, {' and '.join(VERSIONS)} are read"
        raise InputError(message, where=DECLARATION)
    if encoding.upper() != "UTF-8":
        raise InputError(f"the bag's texts are in {visible(encoding)[:40]}, UTF-8 is read", where=DECLARATION)
    return version


def read_manifest(text: str, algorithm: str, version: str, *, most: int | None = None) -> BagEntry:
    """Read one manifest's lines: checksum, blanks, path (§2.1.3). Raises nothing: problems are reported in the answer.

    Of a text of more than `most` lines none is read; of many problems the first are reported, and how many there are.
    """
    if most is not None and text.count("\n") + text.count("\r") - text.count("\r\n") > most:
        return BagEntry(problems=(f"has more than {most} lines",))
    found: dict[str, str] = {}
    problems: list[str] = []
    for number, each in enumerate(_LINE_OF.finditer(text), 1):  # one after the other: a list would double the text
        line = each[1]
        if not line.strip():
            continue
        row = _LINE.fullmatch(line)
        if row is None or len(row[1]) != DIGITS.get(algorithm, len(row[1])):
            problems.append(f"line {number} is no checksum and path: {visible(line)[:80]}")
            continue
        path = _decoded(row[2].removeprefix("*").removeprefix("./"), version)
        reason = unsafe(path)
        if reason:
            problems.append(f"line {number}: {visible(path)[:120]}: {reason}")
        elif path in found:
            problems.append(f"line {number}: {visible(path)} stands there twice")
        else:
            found[path] = row[1].lower()
    problems += [f"{visible(a)} and {visible(b)} are one name on some systems" for a, b in collisions(found)]
    if len(problems) > _MOST_TOLD:
        problems[_MOST_TOLD:] = [f"has {len(problems)} such problems"]
    return BagEntry(found, tuple(problems))


def _decoded(path: str, version: str) -> str:
    if version != "1.0":
        return path
    if "%" not in path:
        return path
    return re.sub(r"%0[DdAa]|%25", lambda each: _ESCAPES[each[0].upper()], path)


def read_info(text: str) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    """The labels and values of bag-info.txt in their order (§2.2.2), and all that is wrong with it. Raises nothing."""
    rows: list[tuple[str, str]] = []
    problems: list[str] = []
    for number, line in enumerate(lines_of(text), 1):
        label, colon, value = line.partition(":")
        if not line.strip():
            continue
        if line[0] in " \t" and rows:
            rows[-1] = (rows[-1][0], f"{rows[-1][1]} {line.strip()}")
        elif colon and label.strip() and line[0] not in " \t":
            rows.append((label.strip(), value.strip()))
        else:
            problems.append(f"line {number} is no label and value: {visible(line)[:80]}")
    if len([1 for label, _ in rows if label.lower() == "payload-oxum"]) > 1:
        problems.append("Payload-Oxum stands there more than once")
    return tuple(rows), tuple(problems)


def read_oxum(value: str) -> tuple[int, int] | None:
    """Bytes and files of a Payload-Oxum (§2.2.2, octets.streams); None for anything else."""
    found = _OXUM.fullmatch(value)
    return (int(found[1]), int(found[2])) if found else None


def declaration() -> str:
    """The text of bagit.txt, exactly two lines (§2.1.1)."""
    return "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def refused(paths: Iterable[str]) -> list[Finding]:
    """What is wrong with paths that are to be written: unsafe, need an escape, or are one with another somewhere."""
    paths = list(paths)
    whys = [
        (p, unsafe(p) or ("% would need an escape, about which libraries disagree" if "%" in p else "")) for p in paths
    ]
    message = [(p, f"cannot be put on a volume: {reason}") for p, reason in whys if reason]
    message += [(b, f"is one name with {visible(a)} on some systems") for a, b in collisions(paths)]
    hint = "name the file, or its version, otherwise in the manifest"
    return [Finding("name-unsafe", Level.ERROR, path, each, hint) for path, each in message]


def manifest_text(checksums: Mapping[str, str]) -> str:
    """A manifest's text, by path, two blanks as sha256sum writes them. Raises InputError for what `refused` finds."""
    wrong = refused(checksums)
    if wrong:
        first = wrong[0]
        raise InputError(
            f"{visible(first.subject)} {first.message}", where=first.subject, hint=first.hint, problems=wrong[1:]
        )
    return "".join(f"{checksums[path]}  {path}\n" for path in sorted(checksums))


def info_text(rows: Sequence[tuple[str, str]]) -> str:
    """The text of bag-info.txt. Raises InputError for a label with a colon, or a line's end in a value."""
    for label, value in rows:
        if ":" in label or label != label.strip() or not label or re.search(r"[\r\n]", label + value):
            raise InputError(f"{visible(label)} cannot stand in {INFO}", where=INFO)
    return "".join(f"{label}: {value}\n" for label, value in rows)
