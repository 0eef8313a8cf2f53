r"""Lists of checksums as publishers print them: read whole or refused whole, and lines written for the system's tools.

Rules: every bad line is reported with its place, all at once, and nothing of a list with a bad line is used; a name is
kept byte for byte (bytes that are not UTF-8 as surrogates, PEP 383); a digest of another algorithm is kept under that
name and never used as SHA-256; no signature is checked here.
Accepted (coreutils manual, "cksum output modes"): `hash  name`, `hash *name`, `hash name` (never mixed with the first
two; a name of one character, be it a blank, is of this form), each with a tab for the first blank; `SHA256 (name) =
hash` and the closely set `SHA2-256(name)= hash`; each with a leading backslash when the name uses `\\` `\n` `\r`; CRLF
line ends, blank lines, `#` lines, a UTF-8 byte order mark; and the frame of a clear-signed message (RFC 9580 §7), in
which only what the frame encloses is read and any text outside it is a bad line.
"""

from __future__ import annotations

import re

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Code, Finding, Level
from bundlekeeper.formats import limits
from bundlekeeper.formats.caret import excerpt
from bundlekeeper.formats.escape import visible
from bundlekeeper.frozen import dataclass

MAX_PROBLEMS = 1000  # bad lines shown one by one; the rest is counted
SHA256 = "SHA256"

#: Problems of a list; each makes the list unusable.
LIST_CODES: dict[str, Code] = {
    "list-line": Code(Level.ERROR, "not a line of a checksum list"),
    "list-digest": Code(Level.ERROR, "the digest has the wrong length or a character that is not hexadecimal"),
    "list-name": Code(Level.ERROR, "the file name is missing, too long, or wrongly escaped"),
    "list-frame": Code(Level.ERROR, "text outside the frame of a clear-signed message, which no signature covers"),
}

# Hexadecimal digits of each algorithm's digest (FIPS 180-4; RFC 7693; MD5: RFC 1321).
_LENGTHS = {
    "MD5": 32,
    "SHA1": 40,
    "SHA224": 56,
    SHA256: 64,
    "SHA384": 96,
    "SHA512": 128,
    "SHA512-224": 56,
    "SHA512-256": 64,
    "BLAKE2b": 128,
}
#: What an untagged digest of that length is taken for, as the tools' own lists are named (common practice).
_BY_LENGTH = {32: "MD5", 40: "SHA1", 56: "SHA224", 64: SHA256, 96: "SHA384", 128: "SHA512"}
_USUAL = "write: digest, two blanks, file name; or SHA256 (file name) = digest"

_HEX = re.compile(r"[0-9A-Fa-f]+")
_UNTAGGED = re.compile(r"([0-9A-Fa-f]{32,})[ \t](.+)", re.DOTALL)
_TAGGED = re.compile(r"([A-Za-z][A-Za-z0-9/_-]{0,31}) ?\((.*)\)[ \t]*=[ \t]*([^ \t)]*)", re.DOTALL)
_ESCAPE = re.compile(r"\\(.?)", re.DOTALL)
_ESCAPED = {"\\": "\\", "n": "\n", "r": "\r"}


@dataclass(frozen=True, slots=True)
class ChecksumLine:
    """One line about one file. `digest` is in lower case; `line` counts from 1; `file` may have a path."""

    algorithm: str
    digest: str
    file: str
    line: int
    binary: bool = False
    tagged: bool = False

    @property
    def base_name(self) -> str:
        """The last part of the name, which is compared with a manifest's `file`."""
        return self.file.rpartition("/")[2]


@dataclass(frozen=True, slots=True)
class ChecksumList:
    """A list that was read whole. `name` is what findings call it; `framed` is True when it was in a signed frame."""

    name: str
    lines: tuple[ChecksumLine, ...]
    framed: bool = False

    def by_base_name(self) -> dict[str, list[ChecksumLine]]:
        """All lines by the last part of the file's name, in the list's order."""
        found: dict[str, list[ChecksumLine]] = {}
        for line in self.lines:
            found.setdefault(line.base_name, []).append(line)
        return found


class _BadLineError(Exception):
    """What is wrong with one line, and at which character (from 0)."""

    def __init__(self, code: str, message: str, at: int = 0, hint: str = _USUAL) -> None:
        super().__init__(message)
        self.code, self.message, self.at, self.hint = code, message, at, hint


def parse(data: bytes, *, name: str) -> ChecksumList:
    """Read a list of checksums; `name` is the list's file name for the findings.

    Raises InputError for more than 16 MiB, for UTF-16, for a list without any line of a file, and for bad lines, with
    each of them in `problems`.
    """
    if len(data) > limits.CHECKSUM_LIST_BYTES:
        raise InputError(
            f"a checksum list of {len(data)} bytes, more than {limits.CHECKSUM_LIST_BYTES}",
            hint="is this the list?",
            where=name,
        )
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError("the checksum list is UTF-16 text", hint="save it as UTF-8", where=name)
    reader = _Reader(name)
    for number, raw in enumerate(data.removeprefix(b"\xef\xbb\xbf").split(b"\n"), 1):
        reader.read(number, raw.removesuffix(b"\r").decode("utf-8", "surrogateescape"))
    return reader.end()


class _Reader:
    """Reads line after line and remembers what the whole list must agree on."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.lines: list[ChecksumLine] = []
        self.problems: list[Finding] = []
        self.bad = 0
        self.one_space: bool | None = None  # set by the first untagged line, as sha256sum does it
        self.frame = ""  # "", "header", "text", "signature", "after"
        self.begun = False  # something other than blank lines was read

    def read(self, number: int, text: str) -> None:
        try:
            content = self._in_frame(text)
            if content.strip(" \t") and not content.startswith("#"):
                self.lines.append(self._line(number, content))
        except _BadLineError as bad:
            self.bad += 1
            if self.bad <= MAX_PROBLEMS:
                self.problems.append(self._finding(number, text, bad))
        self.begun = self.begun or bool(text.strip(" \t"))

    def _finding(self, number: int, text: str, bad: _BadLineError) -> Finding:
        at = bad.at + (2 if self.frame == "text" and text.startswith("- ") else 0)
        return Finding(
            bad.code,
            LIST_CODES[bad.code].level,
            f"line {number}",
            bad.message,
            bad.hint,
            f"{self.name}:{number}:{at + 1}",
            excerpt(text, at + 1),
        )

    def end(self) -> ChecksumList:
        if self.bad:
            more = f"; the first {MAX_PROBLEMS} are shown" if self.bad > MAX_PROBLEMS else ""
            raise InputError(
                f"{self.bad} bad {'line' if self.bad == 1 else 'lines'} in the checksum list{more}",
                hint="nothing of a list with a bad line is used; get the list again, or fix the lines shown",
                where=self.name,
                problems=self.problems,
            )
        if self.frame in {"header", "text", "signature"}:
            raise InputError(
                "the clear-signed message has no end", hint="the list was cut off; get it again", where=self.name
            )
        if not self.lines:
            raise InputError("the checksum list names no file", hint=_USUAL, where=self.name)
        return ChecksumList(self.name, tuple(self.lines), framed=bool(self.frame))

    def _in_frame(self, text: str) -> str:
        """What the line says inside a clear-signed message (RFC 9580 §7), or outside any."""
        match self.frame:
            case "" if text.rstrip() == "-----BEGIN PGP SIGNED MESSAGE-----" and not self.begun:
                self.frame = "header"
            case "":
                return text
            case "header" if not text.strip():
                self.frame = "text"
            case "header" if not text.startswith("Hash: "):
                raise _BadLineError("list-frame", "a header other than Hash", hint="get the list again")
            case "text" if text.rstrip() == "-----BEGIN PGP SIGNATURE-----":
                self.frame = "signature"
            case "text":
                return text.removeprefix("- ")  # dash-escaped text, §7.2
            case "signature" if text.rstrip() == "-----END PGP SIGNATURE-----":
                self.frame = "after"
            case "after" if text.strip():
                raise _BadLineError("list-frame", "text after the signature", hint="no signature covers it; delete it")
        return ""

    def _line(self, number: int, text: str) -> ChecksumLine:
        if "\0" in text:
            raise _BadLineError(
                "list-line", "the line has a zero byte", text.index("\0"), "make the list without --zero"
            )
        at = len(text) - len(text.lstrip(" \t"))
        escaped = text.startswith("\\", at)
        at += escaped
        untagged = _UNTAGGED.fullmatch(text, at)
        if untagged:
            digest, rest = untagged.groups()
            algorithm = _known_length(digest, at)
            marked = self._marked(rest, untagged.start(2))
            file, file_at = rest[marked:], untagged.start(2) + marked
            binary = marked and rest[0] == "*"
        else:
            tagged = _TAGGED.fullmatch(text, at)
            if tagged is None:
                raise _diagnose(text, at)
            algorithm, file, digest = _algorithm(tagged[1]), tagged[2], tagged[3]
            file_at = tagged.start(2)
            binary = False
            _check_digest(algorithm, digest, tagged.start(3))
        name = _file_name(_unescape(file, file_at) if escaped else file, file_at)
        return ChecksumLine(algorithm, digest.lower(), name, number, bool(binary), untagged is None)

    def _marked(self, rest: str, at: int) -> bool:
        """True when the first character of `rest` is the mark for text or binary, False in a one-space list.

        A list is of one sort throughout, else a file whose name begins with a blank could pass for another; this is
        how the system's sha256sum judges it too.
        """
        if rest in {" ", "*"} and self.one_space is False:
            raise _BadLineError("list-name", "a digest without a file name", at + 1)
        marked = rest[0] in " *" and len(rest) > 1 and not self.one_space
        if not marked and self.one_space is False:
            raise _BadLineError("list-line", "one blank follows the digest, but two in lines before", at)
        self.one_space = not marked
        return marked


def _algorithm(tag: str) -> str:
    """The usual name of an algorithm: SHA2-256, SHA-256 and SHA256 are one, and so are SHA512/256 and SHA512-256."""
    name = re.sub(r"^SHA2?-(?=[0-9])", "SHA", tag.upper().replace("/", "-"))
    return re.sub(r"^BLAKE2B(-?512$)?", "BLAKE2b", name)


def _known_length(digest: str, at: int) -> str:
    algorithm = _BY_LENGTH.get(len(digest))
    if algorithm is None:
        raise _BadLineError("list-digest", f"a digest of {len(digest)} digits; SHA-256 has 64", at, "copy it again")
    return algorithm


def _check_digest(algorithm: str, digest: str, at: int) -> None:
    good = _HEX.match(digest)
    end = good.end() if good else 0
    if end < len(digest):
        raise _BadLineError(
            "list-digest", f"{visible(digest[end])} is not hexadecimal", at + end, "digests have 0-9 and a-f only"
        )
    variable = re.fullmatch(r"BLAKE2b-([0-9]{1,3})", algorithm)
    length = int(variable[1]) // 4 if variable else _LENGTHS.get(algorithm)
    if not digest or (length is not None and len(digest) != length):
        raise _BadLineError(
            "list-digest", f"a digest of {len(digest)} digits; {algorithm} has {length or 'more'}", at, "copy it again"
        )


def _diagnose(text: str, at: int) -> _BadLineError:
    """The most likely problem of a line that has no known form."""
    first = re.split(r"[ \t]", text[at:], maxsplit=1)[0]
    good = _HEX.match(first)
    end = good.end() if good else 0
    if end == len(first) >= 8:
        if len(first) not in _BY_LENGTH:
            return _BadLineError("list-digest", f"a digest of {len(first)} digits; SHA-256 has 64", at, "copy it again")
        return _BadLineError("list-name", "a digest without a file name", at + end)
    if end in _BY_LENGTH and not first[end].isalnum():
        return _BadLineError("list-line", "something other than a blank after the digest", at + end)
    if len(first) in _BY_LENGTH and first.isalnum():
        hint = "digests have 0-9 and a-f only; O and l are letters"
        return _BadLineError("list-digest", f"{visible(first[end])} is not hexadecimal", at + end, hint)
    return _BadLineError("list-line", "not a line of a checksum list", at)


def _unescape(name: str, at: int) -> str:
    def plain(match: re.Match[str]) -> str:
        if match[1] not in _ESCAPED:
            raise _BadLineError(
                "list-name",
                f"\\{visible(match[1])} is not an escape",
                at + match.start(),
                "a line that begins with a backslash uses \\\\ \\n \\r only",
            )
        return _ESCAPED[match[1]]

    return _ESCAPE.sub(plain, name)


def _file_name(name: str, at: int) -> str:
    if not name:
        raise _BadLineError("list-name", "a digest without a file name", at)
    if len(name) > limits.TEXT_CHARACTERS:
        raise _BadLineError("list-name", f"a file name of {len(name)} characters", at, "is this a line of the list?")
    return name
