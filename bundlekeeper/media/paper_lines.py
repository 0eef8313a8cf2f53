"""Bytes as lines that a person can type: 32 signs without look-alikes, groups of five, check signs in each line. Pure.

Rules: the signs are the ten digits and the letters without I, L, O and U; reading takes any case and any blanks, I and
L for 1, O for 0; each line carries 23 signs and two check signs over GF(32), in which its number takes part, so that a
line with one or two wrong signs, two exchanged ones or another line's place is always found, and named; nothing is
ever mended in silence: where one sign alone would do it, it is offered.
Source of the check: a Reed-Solomon code with two check symbols, of distance 3 (any textbook on codes, from memory); two
different signs in a line of at most 31 symbols cannot cancel in both sums.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from bundlekeeper.errors import InputError
from bundlekeeper.model.findings import Finding, finding
from bundlekeeper.model.text import visible

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
LINE = 25  # signs, five groups of five
_DATA = LINE - 2
MAX_LINES = 400
_VALUES = {sign: value for value, sign in enumerate(ALPHABET)} | {"I": 1, "L": 1, "O": 0}
_NUMBERED = re.compile(r"\s*\d{1,3}\s*[:.)]")


def _powers() -> tuple[tuple[int, ...], dict[int, int]]:
    """Powers of the generator of GF(32) by x^5 + x^2 + 1, which is primitive, and their logarithms."""
    powers, value = [], 1
    for _ in range(31):
        powers.append(value)
        value <<= 1
        if value & 32:
            value ^= 0b100101
    return tuple(powers), {each: at for at, each in enumerate(powers)}


_POWER, _LOG = _powers()


def _times(a: int, b: int) -> int:
    return _POWER[(_LOG[a] + _LOG[b]) % 31] if a and b else 0


def _sums(number: int, symbols: Sequence[int]) -> tuple[int, int]:
    """Both sums over a line's symbols and its number; both are zero for a right line."""
    plain = weighted = 0
    for at, symbol in enumerate((*symbols, number // 32, number % 32)):
        plain ^= symbol
        weighted ^= _times(symbol, _POWER[at])
    return plain, weighted


def _checked(number: int, data: Sequence[int]) -> list[int]:
    """The data with the two symbols that make both sums zero."""
    plain, weighted = _sums(number, [*data, 0, 0])
    first, second = _POWER[_DATA], _POWER[_DATA + 1]
    over = first ^ second
    y = _times(weighted ^ _times(plain, first), _POWER[-_LOG[over] % 31])
    return [*data, plain ^ y, y]


def to_lines(data: bytes) -> list[str]:
    """Lines of LINE signs for these bytes. Raises InputError when they take more than MAX_LINES."""
    framed = len(data).to_bytes(2, "big") + data if len(data) < 1 << 16 else b""
    bits = int.from_bytes(framed, "big")
    count = -(-len(framed) * 8 // (5 * _DATA))
    if not framed or count > MAX_LINES:
        raise InputError(f"{len(data)} bytes are too many for a paper code", hint="carry the receipt as a file")
    bits <<= count * 5 * _DATA - len(framed) * 8
    symbols = [bits >> (5 * at) & 31 for at in range(count * _DATA - 1, -1, -1)]
    rows = [_checked(n + 1, symbols[n * _DATA : (n + 1) * _DATA]) for n in range(count)]
    return ["".join(ALPHABET[s] for s in row) for row in rows]


def grouped(number: int, line: str) -> str:
    """A line as it is printed: its number, then groups of five."""
    return f"{number:>3}: {' '.join(line[at : at + 5] for at in range(0, LINE, 5))}"


def from_lines(text: str) -> bytes:
    """The bytes of typed or scanned lines. Raises InputError with every wrong line among its problems."""
    rows = _rows(text)
    problems = [_problem(f"line {n}", says, hint) for n, row in rows for says, hint in _wrong(n, row)]
    numbers = [n for n, _ in rows]
    problems += [
        _problem(f"line {n}", "stands there twice") for n in sorted({n for n in numbers if numbers.count(n) > 1})
    ]
    problems += [_problem(f"line {n}", "is not there") for n in range(1, max(numbers, default=0)) if n not in numbers]
    if problems:
        count = len({each.subject for each in problems})
        lines = problems[0].subject if count == 1 else f"{count} lines"
        raise InputError(f"the code is not typed rightly: {lines}", hint="compare with the paper", problems=problems)
    if not rows:
        raise InputError("there is no code: nothing was typed")
    symbols = [_VALUES[sign] for _, row in sorted(rows) for sign in row[:_DATA]]
    bits = 0
    for symbol in symbols:
        bits = bits << 5 | symbol
    size_bits = len(symbols) * 5
    data = (bits >> size_bits % 8).to_bytes(size_bits // 8, "big")
    length = int.from_bytes(data[:2], "big")
    if length + 2 > len(data):
        lacking = -(-(length + 2) * 8 // (5 * _DATA)) - len(rows)
        says = "1 line is" if lacking == 1 else f"{lacking} lines are"
        raise InputError(f"the code goes on after line {len(rows)}: {says} not there", hint="type all lines")
    if len(rows) != -(-(length + 2) * 8 // (5 * _DATA)):
        raise InputError("there are more lines than this code has", hint="are they of two papers?")
    return data[2 : 2 + length]


def _rows(text: str) -> list[tuple[int, str]]:
    """Number and signs of each line, as it was typed; a scanned code comes as one line and is cut."""
    found: list[tuple[int, str]] = []
    for line in text.splitlines():
        numbered = _NUMBERED.match(line)
        row = re.sub(r"[\s-]+", "", line[numbered.end() :] if numbered else line).upper()
        if row:
            found.append((int(re.sub(r"\D", "", numbered[0])) if numbered else 0, row))
    if len(found) == 1 and not found[0][0] and len(found[0][1]) % LINE == 0:
        row = found[0][1]
        found = [(0, row[at : at + LINE]) for at in range(0, len(row), LINE)]
    if len(found) > MAX_LINES:
        raise InputError(f"more than {MAX_LINES} lines: this is no paper code")
    return [(number or at, row) for at, (number, row) in enumerate(found, 1)]


def _wrong(number: int, row: str) -> list[tuple[str, str]]:
    """What is wrong with one line, and what would mend it; nothing where it is right."""
    strange = sorted({sign for sign in row if sign not in _VALUES})
    if strange:
        return [(f"holds {visible(' '.join(strange))[:40]}, which no code has", "U is never used, nor are signs")]
    if len(row) != LINE:
        return [(f"has {len(row)} characters, {LINE} are due", "")]
    plain, weighted = _sums(number, [_VALUES[sign] for sign in row])
    if not (plain or weighted):
        return []
    hint = ""
    if plain and weighted:
        at = (_LOG[weighted] - _LOG[plain]) % 31
        if at < LINE:
            right = ALPHABET[_VALUES[row[at]] ^ plain]
            hint = f"if one character alone is wrong, it is number {at + 1} ({row[at]}) and should be {right}"
        elif at < LINE + 2:
            hint = "if nothing is mistyped, it belongs in another place"
    return [("is mistyped: its check characters do not fit", hint)]


def _problem(subject: str, says: str, hint: str = "") -> Finding:
    return finding("altered", subject, says, hint)
