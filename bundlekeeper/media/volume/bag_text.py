"""The texts of a bag (RFC 8493, BagIt 1.0): bagit.txt, bag-info.txt, manifests; read strictly, written plainly. Pure.

Rules: every problem of a text is reported, none is repaired; CR, LF and CRLF end a line; CR, LF and `%` in a name are
%0D %0A %25 "and only those" (§2.1.3), from version 1.0 on; a path that leads out of the bag (§5.2) is never returned;
we write no name that would need an escape, because common libraries disagree about escapes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.safe_names import collision_key, problems_of_name
from bundlekeeper.frozen import dataclass

DECLARATION = "bagit.txt"
INFO = "bag-info.txt"
FETCH = "fetch.txt"
PAYLOAD = "data"
#: §2.1.1; 0.97 is what common libraries still write.
VERSIONS = ("0.97", "1.0")
#: Digits in hexadecimal of each algorithm that we can check (§2.4: names of hash functions, lower case, letters only).
DIGITS = {"md5": 32, "sha1": 40, "sha224": 56, "sha256": 64, "sha384": 96, "sha512": 128}
#: Those that are safe today; §2.4: sha256 and sha512 must be supported, md5 and sha1 are for old bags.
STRONG = frozenset({"sha256", "sha384", "sha512"})

_MANIFEST = re.compile(r"(tag)?manifest-([A-Za-z0-9]+)\.txt")
_LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+(\S.*)")
_OXUM = re.compile(r"([0-9]{1,18})\.([0-9]{1,18})")
_ESCAPES = {"%0D": "\r", "%0A": "\n", "%25": "%"}
#: A path of which nothing can be unsafe (ASCII, no separator but the slash, no name too long), as nearly all are.
_PLAIN = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_+. -]{0,199}(?:/[A-Za-z0-9_][A-Za-z0-9_+. -]{0,199})*")
_MOST_REPORTED = 100  # problems of one text
_LINE_OF = re.compile(r"([^\r\n]*)(?:\r\n|\r|\n|\Z)")
_LINE_ENDS = re.compile(r"\r\n|\r|\n")
#: Of the rules for names (`formats.safe_names`) those that a bag from elsewhere must follow: the others are style.
_UNSAFE = {"empty", "dots", "separator", "nul", "control", "format", "undecodable", "tilde", "drive", "long"}


@dataclass(frozen=True, slots=True)
class BagEntry:
    """One manifest: path to checksum (lower case), as listed, and everything that is wrong with it."""

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
    """Why a path may not be used, or an empty text (§5.2): by no system's rules may it lead out of the bag.

    A tilde means a home folder only at the beginning of the path.
    """
    if _PLAIN.fullmatch(path):
        return ""
    for number, name in enumerate(path.split("/")):
        for problem in problems_of_name(name):
            if problem.reason in _UNSAFE and not (number and problem.reason == "tilde"):
                return problem.message
    return ""


def path_key(path: str) -> str:
    """A key that two paths share when some file system takes them for one (§6)."""
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
        raise InputError("bagit.txt is not the two lines that it must be", where=DECLARATION)
    if version not in VERSIONS:
        message = f"the bag has version {visible(version)[:20]}; versions {' and '.join(VERSIONS)} can be read"
        raise InputError(message, where=DECLARATION)
    if encoding.upper() != "UTF-8":
        raise InputError(f"the bag's texts are in {visible(encoding)[:40]}; only UTF-8 can be read", where=DECLARATION)
    return version


def read_manifest(text: str, algorithm: str, version: str, *, most: int | None = None) -> BagEntry:
    """Read one manifest's lines: checksum, blanks, path (§2.1.3). Raises nothing: problems are reported in the answer.

    A text of more than `most` lines is not read; of many problems the first are reported, and their number.
    """
    if most is not None and text.count("\n") + text.count("\r") - text.count("\r\n") > most:
        return BagEntry(problems=(f"has more than {most} lines",))
    found: dict[str, str] = {}
    problems: list[str] = []
    for number, match in enumerate(_LINE_OF.finditer(text), 1):  # one by one: a list would double the text
        line = match[1]
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
            problems.append(f"line {number}: {visible(path)} is listed twice")
        else:
            found[path] = row[1].lower()
    problems += [f"{visible(a)} and {visible(b)} are the same name on some systems" for a, b in collisions(found)]
    if len(problems) > _MOST_REPORTED:
        problems[_MOST_REPORTED:] = [f"has {len(problems)} such problems"]
    return BagEntry(found, tuple(problems))


def _decoded(path: str, version: str) -> str:
    if version != "1.0":
        return path
    if "%" not in path:
        return path
    return re.sub(r"%0[DdAa]|%25", lambda escape: _ESCAPES[escape[0].upper()], path)


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
        problems.append("Payload-Oxum is there more than once")
    return tuple(rows), tuple(problems)


def read_oxum(value: str) -> tuple[int, int] | None:
    """Bytes and files of a Payload-Oxum (§2.2.2, octets.streams); None for anything else."""
    found = _OXUM.fullmatch(value)
    return (int(found[1]), int(found[2])) if found else None


def declaration() -> str:
    """The text of bagit.txt, exactly two lines (§2.1.1)."""
    return "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def refused(paths: Iterable[str]) -> list[Finding]:
    """What is wrong with paths to write: unsafe, in need of an escape, or the same as another on some systems."""
    paths = list(paths)
    reasons = [
        (path, unsafe(path) or ("% would need an escape, and libraries disagree about escapes" if "%" in path else ""))
        for path in paths
    ]
    messages = [(path, f"cannot be put on a volume: {reason}") for path, reason in reasons if reason]
    messages += [(b, f"has the same name as {visible(a)} on some systems") for a, b in collisions(paths)]
    hint = "give the file, or its version, another name in the manifest"
    return [Finding("name-unsafe", Level.ERROR, path, message, hint) for path, message in messages]


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
            raise InputError(f"{visible(label)} cannot be in {INFO}", where=INFO)
    return "".join(f"{label}: {value}\n" for label, value in rows)
