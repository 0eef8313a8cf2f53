"""The one escaper: makes any text safe to print on one line of a terminal, a log or a page.

Rules: every sink calls `visible` on every piece of data (names, manifest strings, versions read from devices) before
it prints; what could move the cursor, change colours, reorder text or break the line becomes a visible escape.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

# Cc: C0 and C1 controls, Cf: format characters (bidi controls of UAX #9, zero-width), Cs: lone surrogates
# (undecodable bytes of a file name), Co/Cn: unassigned; Zl/Zp: line and paragraph separators.
_HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def _escape(char: str) -> str:
    code = ord(char)
    if 0xDC80 <= code <= 0xDCFF:  # a byte that was not UTF-8, as os.fsdecode keeps it (PEP 383)
        return f"\\x{code - 0xDC00:02x}"
    if code < 0x100:
        return {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(char, f"\\x{code:02x}")
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def visible(text: str) -> str:
    """Return `text` with every control, format, bidi and undecodable character as a visible escape."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escape(c) if unicodedata.category(c) in _HIDDEN else c for c in text)


# Spreadsheets of some languages take the full-width forms (U+FF1D, U+FF0B, U+FF0D, U+FF20) as well.
_FORMULA = re.compile(r"'*[=+\-@\t\r\uff1d\uff0b\uff0d\uff20]")


def harmless(cell: str) -> str:
    """A cell for a table that a spreadsheet opens: none is run as a formula; `without_quote` takes it back.

    A `'` comes before what would be run, and before what looks as if that had been done. A lone `-` is our word for
    none, and is not changed.
    """
    return f"'{cell}" if cell != "-" and _FORMULA.match(cell) else cell


def without_quote(cell: str) -> str:
    """The cell of which `harmless` made this one."""
    return cell[1:] if cell[:1] == "'" and _FORMULA.match(cell, 1) else cell


def shell_word(text: str) -> str:
    """`text` as one word of a shell's command line that can be printed and pasted, whatever is in the name.

    Quotes of POSIX.1-2024 §2.2: '…', or $'…' where a character of it could not be printed as it is.
    """
    from shlex import quote  # imported only where a command is printed

    if visible(text) == text:
        return quote(text)
    raw = text.encode("utf-8", "surrogateescape")
    return "$'" + "".join(chr(b) if 0x20 <= b < 0x7F and chr(b) not in "\\'" else f"\\{b:03o}" for b in raw) + "'"


def human_bytes(count: int) -> str:
    """A byte count for people, in powers of 1000 (IEC 80000-13 keeps kB, MB, GB for these): `1.28 GB`."""
    if count < 1000:
        return f"{count} B"
    value = float(count)
    for unit in ("kB", "MB", "GB", "TB"):
        value /= 1000
        if value < 999.995 or unit == "TB":
            return f"{value:.3g} {unit}" if value < 100 else f"{value:.0f} {unit}"
    raise AssertionError("unreachable")


def meant(word: str, known: Sequence[str]) -> str:
    """A hint for an unknown word: the closest known one, or all of them."""
    from difflib import get_close_matches  # only where something is wrong

    close = get_close_matches(word, known, n=1)
    return f"did you mean {close[0]}?" if close else f"one of {', '.join(known)}"


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its noun: `1 server`, `3 servers`."""
    return f"{number} {one}" if number == 1 else f"{number} {many or one + 's'}"


def some(names: Sequence[str], most: int = 6) -> str:
    """The first names and how many more there are: `1/1, 1/2 and 5 more`."""
    shown = ", ".join(names[:most])
    return f"{shown} and {len(names) - most} more" if len(names) > most else shown
