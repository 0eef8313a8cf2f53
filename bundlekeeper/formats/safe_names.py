"""The one place with rules for names that become files and folders, on any of Linux, Windows and FAT.

Rules: a name is refused here, before any disk is touched, and every problem of it is reported at once; a version is
never refused as a folder's name but written so that it is safe, one version one folder; names are compared by
`collision_key`, because a FAT or exFAT medium keeps one file where Linux keeps two. Sources: Windows and FAT: 'Naming
Files, Paths, and Namespaces' (Windows App Development documentation); Unicode forms and case: Unicode standard section
3.13, D145, and RFC 8493 section 6; bidi controls: UAX #9; NAME_MAX: limits.h(0p).
"""

from __future__ import annotations

import re
import unicodedata

from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.frozen import dataclass

#: Names with which the store's own files begin; a bundle may not hide among them.
OWN_PREFIXES = (".keeper", ".part-")

_WINDOWS_CHARACTERS = '<>:"|?*'
_NOT_ALLOWED = re.compile(rf"[/\\{_WINDOWS_CHARACTERS}]")  # of characters that are printable
# The documentation names COM1-COM9, LPT1-LPT9 and the superscript digits; COM0/LPT0 and CONIN$/CONOUT$ are from memory.
_DEVICES = {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"} | {
    port + digit for port in ("COM", "LPT") for digit in "0123456789¹²³"
}
#: A name of which only the length can be wrong, or that it is a device's, as nearly all are.
_PLAIN = re.compile(r"[A-Za-z0-9_+(](?:[A-Za-z0-9_+()~. -]*[A-Za-z0-9_+()~-])?")
_PLAIN_FOLDER = re.compile(r"[A-Za-z0-9_+(][A-Za-z0-9_+()~. -]*")


@dataclass(frozen=True, slots=True)
class NameProblem:
    """One thing that is wrong with a name: a short word for it, what is, what to do.

    `at` is the offset in characters of the first bad character, or None where the whole name is bad.
    """

    reason: str
    message: str
    hint: str
    at: int | None = None


def problems_of_name(name: str) -> list[NameProblem]:
    """Everything that makes `name` unsafe as one file's name; empty for a good name. Raises nothing."""
    if _PLAIN.fullmatch(name) and len(name) <= limits.NAME_CHARACTERS and not _is_device(name):
        return []
    if not name:
        return [NameProblem("empty", "the name is empty", "give the file's name as published")]
    if name in {".", ".."}:
        return [NameProblem("dots", f"the name {name} means a folder", "give the file's name as published")]
    return [*_characters(name), *_ends(name), *_whole(name)]


def _characters(name: str) -> list[NameProblem]:
    """The first of each sort of character that no name may have."""
    found: dict[str, NameProblem] = {}
    if name.isprintable() and not _NOT_ALLOWED.search(name):
        return []
    for at, char in enumerate(name):
        sort = _sort(char)
        if sort and sort not in found:
            shown = visible(char)
            message, hint = {
                "separator": (f"{shown} separates folders", "give the bare name, without a folder"),
                "nul": ("the name has a NUL character", "remove it"),
                "control": (f"the name has the control character {shown}", "remove it"),
                "format": (
                    f"the name has the invisible character {shown}",
                    "remove it: it can make a name look like another",
                ),
                "undecodable": (f"the name has {shown}, which is no text", "give the name in UTF-8"),
                "windows": (f"{shown} is not allowed in a name on Windows or FAT", "rename the file without it"),
            }[sort]
            found[sort] = NameProblem(sort, message, hint, at)
    return list(found.values())


def _sort(char: str) -> str:
    if char in "/\\":
        return "separator"
    if char == "\0":
        return "nul"
    if char in _WINDOWS_CHARACTERS:
        return "windows"
    category = unicodedata.category(char)
    # Zl and Zp break lines, Co and Cn look different, or like nothing, on every machine.
    return {"Cc": "control", "Cs": "undecodable"}.get(
        category, "format" if category in {"Cf", "Zl", "Zp", "Co", "Cn"} else ""
    )


def _ends(name: str) -> list[NameProblem]:
    """How a name may not begin or end."""
    found = []
    if name[0] == "-":
        found.append(
            NameProblem(
                "hyphen", "the name begins with a hyphen", "rename the file: commands would read it as an option", 0
            )
        )
    if name[0] == "~":
        found.append(
            NameProblem(
                "tilde", "the name begins with a tilde", "rename the file: shells would read it as a home folder", 0
            )
        )
    if name[0].isspace():
        found.append(NameProblem("blank", "the name begins with a blank", "remove the blank", 0))
    if name[-1].isspace():
        message = "the name ends with a blank, which Windows and FAT drop"
        found.append(NameProblem("blank", message, "remove the blank", len(name) - 1))
    if name[-1] == ".":
        message = "the name ends with a dot, which Windows and FAT drop"
        found.append(NameProblem("dot", message, "remove the dot", len(name) - 1))
    if collision_key(name).startswith(OWN_PREFIXES):
        message = f"names that begin with {name[:6]} are the store's own"
        found.append(NameProblem("own", message, "rename the file", 0))
    return found


def _whole(name: str) -> list[NameProblem]:
    """What is wrong with a name as a whole."""
    found = []
    if _is_device(name):
        stem = name.split(".")[0].rstrip(" ").upper()
        message = f"{stem} is a device on Windows, with any extension"
        found.append(NameProblem("device", message, "rename the file", 0))
    if re.match(r"[A-Za-z]:", name):
        message = f"{name[:2]} is a drive on Windows"
        found.append(NameProblem("drive", message, "give the bare name, without a folder", 0))
    if unicodedata.normalize("NFC", name) != name:
        message = "the name is not in Unicode's composed form (NFC)"
        found.append(NameProblem("form", message, "compose it, or some systems will have two files that look the same"))
    length = len(name.encode("utf-8", "surrogateescape" if _escaped_bytes(name) else "surrogatepass"))
    if length > limits.NAME_BYTES:
        message = f"the name has {length} bytes in UTF-8, more than {limits.NAME_BYTES}"
        found.append(NameProblem("long", message, "shorten it: file systems have no longer names"))
    elif len(name) > limits.NAME_CHARACTERS:
        message = f"the name has {len(name)} characters, more than {limits.NAME_CHARACTERS}"
        found.append(NameProblem("long", message, "shorten it: its path on a medium would be too long for Windows"))
    return found


def _is_device(name: str) -> bool:
    return name.split(".")[0].rstrip(" ").upper() in _DEVICES


def _escaped_bytes(name: str) -> bool:
    """True when every lone surrogate stands for a byte that was not UTF-8, as os.fsdecode leaves it (PEP 383)."""
    return name.isprintable() or all(0xDC80 <= ord(c) <= 0xDCFF for c in name if unicodedata.category(c) == "Cs")


def collision_key(name: str) -> str:
    """The key that two names share which are one on some file system: canonical caseless (Unicode D145), in NFC.

    Raises nothing.
    """
    if name.isascii():
        return name.lower()
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())


def safe_folder(version: str) -> str:
    """The folder name for a version: the version itself where that is safe everywhere, else with `%xx` for bytes.

    Two versions never share a folder; a version that would be too long keeps its beginning and the first 32 digits of
    its SHA-256. Raises nothing.
    """
    raw = version.encode("utf-8", "surrogatepass")
    if _PLAIN_FOLDER.fullmatch(version) and len(version) <= limits.FOLDER_CHARACTERS and not problems_of_name(version):
        return version
    text = "".join(chr(byte) if _PLAIN_FOLDER.fullmatch("0" + chr(byte)) else f"%{byte:02x}" for byte in raw)
    if not text or text[0] in ".-~ " or _is_device(text):
        text = f"%{raw[0]:02x}{text[1:]}" if raw else "%"
    if text[-1] in ". ":
        text = f"{text[:-1]}%{ord(text[-1]):02x}"
    if len(text) > limits.FOLDER_CHARACTERS:
        # "%%" is nowhere else, so a shortened name never equals an escaped one.
        import hashlib  # only for a name that is shortened

        text = f"{text[: limits.FOLDER_CHARACTERS - 34]}%%{hashlib.sha256(raw).hexdigest()[:32]}"
    return text
