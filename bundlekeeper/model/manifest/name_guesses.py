"""Guesses of a bundle's family and version from its file's name.

Rules: a version is guessed only where the name has exactly one number that could be it and no date; anything that might
be part of it, or make it another thing's version, leaves it unknown; a wrong guess is worse than none. The shapes are
common practice among publishers; the dates are those of ISO 8601 and those with day or month first.
"""

from __future__ import annotations

import re
from datetime import datetime

from bundlekeeper.errors import VersionError
from bundlekeeper.model.versions import Key, Natural
from bundlekeeper.model.vocabulary import FAMILIES


def guess_family(file: str) -> str | None:
    """The one family whose word is in the name between separators; None for none or several."""
    words = set(re.split(r"[^a-z]+", file.casefold()))
    found = [family for family in FAMILIES if family in words]
    return found[0] if len(found) == 1 else None


# Words with digits that name a machine or an algorithm: removed before anything is looked at.
_MACHINE = re.compile(
    r"(?<![0-9a-z])(?:x86[_-]64|x86|x64|amd64|i[3-6]86|arm64|aarch64|armv[78]|riscv(?:32|64)|ppc64(?:el|le)?|s390x"
    r"|sha-?(?:1|256|384|512)|md5)(?![0-9a-z])",
    re.IGNORECASE,
)
# Numbers joined by points, perhaps a letter and a known word with its number.
_VERSION = re.compile(
    r"""(?<![0-9A-Za-z])(?<![0-9]\.)v?
        ([0-9]+(?:\.[0-9]+)+[a-z]?
         (?:[._-]?(?:dev|alpha|beta|pre|rc|p|patch)[._-]?[0-9]*)?)
        (?![0-9A-Za-z]|\.[0-9])""",
    re.IGNORECASE | re.VERBOSE | re.ASCII,
)
# Whatever else could be a version, the name's own or another thing's.
_PERHAPS = re.compile(
    r"[0-9]+(?:[._][0-9]+)+|(?<![a-z])(?:v|ver|version|r|rev|rel|release|build|b)[._ -]?[0-9]", re.IGNORECASE | re.ASCII
)
_SIZE = re.compile(r"[0-9]+\.[0-9]+[gkmtvw]", re.IGNORECASE)  # 2.5g is a rate, 1.5t a disk
_SEPARATORS = re.compile(r"[._ -]+")
#: A number after one of these is another thing's.
_OTHERS = {"for", "from", "to", "with", "on", "after", "before", "since", "until", "needs", "requires", "min", "max"}
_OTHERS |= {"than", "hw", "hardware", "kernel", "api", "usb", "pcie", "tpm", "tls", "python"}
#: What may follow a version and is surely no part of it.
_AFTER = {"", *FAMILIES, "firmware", "image", "bundle", "all", "noarch", "tar"}


def guess_version(file: str) -> str | None:
    """The one piece of the name that can only be its version, as written there; None in any doubt."""
    stem, dot, ending = file.rpartition(".")
    plain = stem if dot and (ending[:1].isalpha() or ending == "7z") else file
    plain = _MACHINE.sub("", plain)
    found = list(_VERSION.finditer(plain))
    if len(found) != 1 or _has_date(plain):
        return None
    start, end, version = found[0].start(), found[0].end(), found[0][1]
    if any(not start <= other.start() < end for other in _PERHAPS.finditer(plain)) or _SIZE.fullmatch(version):
        return None
    before = _SEPARATORS.split(plain[:start].casefold().rstrip("._- "))[-1]
    if before.isdecimal() or before in _OTHERS:
        return None
    if not _AFTER.issuperset(_SEPARATORS.split(plain[end:].casefold())):
        return None
    return version if natural_key(version) is not None else None


def natural_key(version: str) -> Key | None:
    """The version's place in natural order, or None where it has none."""
    try:
        return Natural().key(version)
    except VersionError:
        return None


_DIGITS = re.compile(r"(?<![0-9])[0-9]+(?![0-9])", re.ASCII)
_THREE = re.compile(r"(?<![0-9])([0-9]{1,2})([._ -])([0-9]{1,2})\2([0-9]{2})(?![0-9])", re.ASCII)
_MONTH = re.compile(
    r"(?<![a-z])(?:jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|sept?(?:ember)?"
    r"|oct(?:ober)?|nov(?:ember)?|dec(?:ember)?)(?![a-z])",
    re.IGNORECASE,
)
_RUNS = {4: ("%Y",), 6: ("%y%m%d", "%d%m%y", "%m%d%y", "%Y%m"), 8: ("%Y%m%d", "%d%m%Y", "%m%d%Y")}


def _has_date(text: str) -> bool:
    """True for anything in the name that can be read as a date, or as a year."""
    runs = [match[0] for match in _DIGITS.finditer(text)]
    if any(_is_date(run, form) for run in runs for form in _RUNS.get(len(run), ())):
        return True
    if any(len(run) > 8 and _is_date(run[:8], "%Y%m%d") for run in runs):  # with the time behind it
        return True
    threes = (f"{a:0>2}{b:0>2}{c}" for a, _, b, c in _THREE.findall(text) if len(a) == len(b) == 2)
    return any(_is_date(six, form) for six in threes for form in _RUNS[6][:3]) or bool(_MONTH.search(text))


def _is_date(digits: str, form: str) -> bool:
    try:
        day = datetime.strptime(digits, form)  # noqa: DTZ007 - only whether it is one
    except ValueError:
        return False
    return 1980 <= day.year < 2100
