"""Bytes as lines that a person can type: 32 characters without look-alikes, in groups of five, with check characters.

Rules: pure; the characters are the ten digits and the letters without I, L, O and U; reading accepts any case and any
blanks, I and L as 1, O as 0; each line has 23 characters and two check characters over GF(32) that also depend on its
number, so that a line with one or two wrong characters, with two exchanged ones, or in another line's place is always
found and named; the check characters fit one number only, so that a missing line or a line typed twice is reported as
such, numbered or not; nothing is corrected in silence: where one other character would make a line right, the hint says
so.
Source of the check: a Reed-Solomon code with two check symbols, of distance 3 (any textbook on codes, from memory); two
different symbols in a line of at most 31 cannot cancel out in both sums.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import counted, visible
from bundlekeeper.frozen import dataclass

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
LINE = 25  # characters, five groups of five
_DATA = LINE - 2
MAX_LINES = 400
_VALUES = {sign: value for value, sign in enumerate(ALPHABET)} | {"I": 1, "L": 1, "O": 0}
#: What the page has beside its code: "site: skerry", a drawn QR code. No line of a code has a colon in it.
_BESIDE = re.compile(r":|^[^0-9A-Za-z]+$")
_NUMBERED = re.compile(r"\s*\d{1,3}\s*[:.)]")


def _powers() -> tuple[tuple[int, ...], dict[int, int]]:
    """Powers of the generator of GF(32) by x^5 + x^2 + 1, which is primitive, and their logarithms."""
    powers, value = [], 1
    for _ in range(31):
        powers.append(value)
        value <<= 1
        if value & 32:
            value ^= 0b100101
    return tuple(powers), {power: at for at, power in enumerate(powers)}


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
    """Lines of LINE characters for these bytes. Raises InputError when they take more than MAX_LINES."""
    framed = len(data).to_bytes(2, "big") + data if len(data) < 1 << 16 else b""
    bits = int.from_bytes(framed, "big")
    count = -(-len(framed) * 8 // (5 * _DATA))
    if not framed or count > MAX_LINES:
        raise InputError(f"{len(data)} bytes are too many for a printed code", hint="send the receipt as a file")
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
    right, problems = _placed(rows)
    if problems:
        count = len({problem.subject for problem in problems})
        lines = problems[0].subject if count == 1 else f"at {count} places"
        raise InputError(f"the code has a typing mistake: {lines}", hint="compare it with the paper", problems=problems)
    if not rows:
        raise InputError("there is no code: nothing was typed")
    symbols = [_VALUES[sign] for _, row in sorted(right.items()) for sign in row[:_DATA]]
    bits = 0
    for symbol in symbols:
        bits = bits << 5 | symbol
    size_bits = len(symbols) * 5
    data = (bits >> size_bits % 8).to_bytes(size_bits // 8, "big")
    length = int.from_bytes(data[:2], "big")
    if length + 2 > len(data):
        lacking = -(-(length + 2) * 8 // (5 * _DATA)) - len(rows)
        message = "1 line is" if lacking == 1 else f"{lacking} lines are"
        raise InputError(f"the code goes on after line {len(rows)}: {message} missing", hint="type all lines")
    if len(rows) != -(-(length + 2) * 8 // (5 * _DATA)):
        raise InputError("there are more lines than this code has", hint="are they from two receipts?")
    return data[2 : 2 + length]


@dataclass(frozen=True, slots=True)
class _Row:
    """A line as it was typed: its number (0: none), its characters, the number that its check characters fit (0:
    none)."""

    typed: int
    characters: str
    own: int


def _rows(text: str) -> list[_Row]:
    """Each line as it was typed; a scanned code comes as one line and is cut."""
    found: list[tuple[int, str]] = []
    for line in text.splitlines():
        numbered = _NUMBERED.match(line)
        rest = line[numbered.end() :] if numbered else line
        row = re.sub(r"[\s-]+", "", rest).upper()
        if row and not _BESIDE.search(rest):
            found.append((int(re.sub(r"\D", "", numbered[0])) if numbered else 0, row))
    if len(found) == 1 and not found[0][0] and len(found[0][1]) % LINE == 0:
        row = found[0][1]
        found = [(0, row[at : at + LINE]) for at in range(0, len(row), LINE)]
    if len(found) > MAX_LINES:
        raise InputError(f"more than {MAX_LINES} lines: this is not a receipt's code")
    return [_Row(number, row, _own(row)) for number, row in found]


def _own(row: str) -> int:
    """The one number that a line's check characters fit; 0 for what is not a line."""
    if len(row) != LINE or not _VALUES.keys() >= set(row):
        return 0
    plain, weighted = _sums(0, [_VALUES[sign] for sign in row])
    high, low = _POWER[LINE], _POWER[LINE + 1]
    unit = _times(weighted ^ _times(plain, high), _POWER[-_LOG[high ^ low] % 31])
    return (plain ^ unit) * 32 + unit


def _placed(rows: Sequence[_Row]) -> tuple[dict[int, str], list[Finding]]:
    """The right lines by their numbers, and what is wrong.

    A line without a number is the next one, unless its check characters show that it is another one: a line that was
    there before, or one that the lines below follow. So a line that was left out or typed twice is reported as such.
    """
    right: dict[int, str] = {}
    wrong: list[tuple[int, _Row]] = []
    problems: list[Finding] = []
    expected = 1
    for at, row in enumerate(rows):
        number = row.typed or expected
        if not row.typed and row.own != expected and _goes_on(rows, at, right):
            number = row.own
        if number in right and (row.typed or row.own == number):
            problems.append(_problem(f"line {number}", "is there twice"))
        elif row.own == number and number <= MAX_LINES:
            right[number] = row.characters
            expected = number + 1
        else:
            wrong.append((number, row))
            expected += 1
    there = set(right)
    for number, row in wrong:
        moved = row.own if row.own not in right and 0 < row.own <= len(rows) + 1 else 0
        there |= {number, moved}
        problems += _line_problems(number, row, right, moved, len(rows))
    top = max([*right, *(number for number, _ in wrong if number <= len(rows))], default=0)
    problems += _gaps([number for number in range(1, top) if number not in there])
    return right, sorted(problems, key=lambda problem: int(problem.subject.split()[1]))


def _goes_on(rows: Sequence[_Row], at: int, right: Mapping[int, str]) -> bool:
    """True when a line is not the expected one: it was there before, or lines below follow it; at the end of all lines,
    where nothing follows, at most two may be left out before it."""
    row = rows[at]
    if not row.own or row.own in right:
        return right.get(row.own) == row.characters
    if any(rows[j].own == row.own + j - at for j in range(at + 1, len(rows))):
        return True
    return at == len(rows) - 1 and bool(right) and 0 < row.own - max(right) <= 3


def _line_problems(number: int, row: _Row, right: Mapping[int, str], moved: int, count: int) -> Iterator[Finding]:
    """What is wrong with one of `count` lines; `moved` is the number that its check characters fit, 0 for none."""
    if number in right:
        yield _problem(f"line {number}", "is there twice, once mistyped", "leave out the wrong one")
    elif moved and (
        number > count or moved // 32 == number // 32
    ):  # one wrong character never looks like a near number
        message = f"has the check characters of line {moved}"
        hint = "its number is mistyped" if row.typed else "it belongs there"
        yield _problem(f"line {number}", message, f"if no other character is wrong, {hint}")
    else:
        yield from (_problem(f"line {number}", message, hint) for message, hint in _wrong(number, row.characters))


def _gaps(numbers: Sequence[int]) -> Iterator[Finding]:
    """Lines that are missing; neighbours are reported together."""
    for at, first in enumerate(numbers):
        if first - 1 in numbers:
            continue
        last = next(n for n in numbers[at:] if n + 1 not in numbers)
        if first == last:
            yield _problem(f"line {first}", "is missing")
        else:
            yield _problem(f"lines {first} to {last}", "are missing")


def _wrong(number: int, row: str) -> list[tuple[str, str]]:
    """What is wrong with one line, and what would correct it."""
    unknown = sorted({character for character in row if character not in _VALUES})
    if unknown:
        hint = "a code has only digits and letters, and never U"
        return [(f"has {visible(' '.join(unknown))[:40]}, which no code has", hint)]
    if len(row) != LINE:
        return [(f"has {counted(len(row), 'character')} instead of {LINE}", "")]
    if number > MAX_LINES:
        return [(f"no code has more than {MAX_LINES} lines", "compare its number with the paper")]
    plain, weighted = _sums(number, [_VALUES[sign] for sign in row])
    hint = ""
    if plain and weighted:
        at = (_LOG[weighted] - _LOG[plain]) % 31
        if at < LINE:
            right = ALPHABET[_VALUES[row[at]] ^ plain]
            hint = f"if one character alone is wrong, it is number {at + 1} ({row[at]}) and should be {right}"
        elif at < LINE + 2:
            hint = "if nothing is mistyped, it belongs in another place"
    return [("is mistyped: its check characters do not fit", hint)]


def _problem(subject: str, message: str, hint: str = "") -> Finding:
    return finding("altered", subject, message, hint)
