"""Changed copies of good inputs: bits, bytes, cuts, lines, numbers, words of the format, repetition, nesting."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence

MAX_BYTES = 32_768  # of one example; the readers' own bounds have tests of their own

#: Bytes and characters that readers stumble over: controls, digits that are no ASCII, marks, halves of characters.
ODD = [
    b"\0", b"\x1b[2J", b"\r", b"\r\n", b"\t", b"\x7f", b"\x85", b"\xff", b"\xc3", b"\xed\xa0\x80", b"\xef\xbb\xbf",
    "\u202e".encode(), "\u2028".encode(), "²".encode(), "١٢".encode(), "½".encode(), "ß".encode(), "İ".encode(),
    "e\u0301".encode(), "\U0001d7d8".encode(), b"-", b"=", b"'", b'"', b"\\", b"\\u0000", b"\\ud800", b"%00", b"../",
]  # fmt: skip
NUMBERS = [
    b"0", b"-1", b"1", b"00", b"007", b"1e400", b"-0", b"0x10", b"1_000", b"2147483648", b"9223372036854775808",
    b"9" * 40, b"9" * 5000,
    b"nan", b"inf", b"true", b"1979-05-27", b"9999-12-31T23:59:60Z", b"0001-01-01", b"2026-02-30",
]  # fmt: skip
_BRACKETS = [b"[", b"]", b"{", b"}", b'{"a":', b"[[", b"(", b"<"]
_WORD = re.compile(rb"[0-9]+|[A-Za-z_.-]+")

Change = Callable[[random.Random, bytearray, Sequence[bytes], Sequence[bytes]], None]


def _at(chance: random.Random, data: bytearray) -> int:
    return chance.randrange(len(data)) if data else 0


def _bit(chance: random.Random, data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    if data:
        data[_at(chance, data)] ^= 1 << chance.randrange(8)


def _byte(chance: random.Random, data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    if data:
        data[_at(chance, data)] = chance.choice((0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)))


def _cut(chance: random.Random, data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    at = _at(chance, data)
    del data[at : at + chance.choice((1, 2, 4, 16, len(data)))]


def _insert(chance: random.Random, data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    at = _at(chance, data)
    data[at:at] = chance.choice(chance.choice((ODD, words or ODD, [chance.randbytes(chance.randrange(1, 9))])))


def _length(chance: random.Random, data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    """Overwrite four bytes by a number that is a length of something, perhaps."""
    at = _at(chance, data)
    data[at : at + 4] = chance.choice((b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff", b"\0\0\xff\xff"))


def _word(chance: random.Random, data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    """Put a number, a word of the format or another word of the text in a word's place."""
    found = list(_WORD.finditer(data))
    if found:
        place, other = chance.choice(found), chance.choice(found)
        data[place.start() : place.end()] = chance.choice(chance.choice((NUMBERS, ODD, words or ODD, [other[0]])))


def _line(chance: random.Random, data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    """Take a line away, repeat it, or put it elsewhere."""
    lines = bytes(data).splitlines(keepends=True)
    if lines:
        line = lines.pop(chance.randrange(len(lines)))
        at = chance.randrange(len(lines) + 1)
        lines[at:at] = [line] * chance.choice((0, 1, 2, 2, 40))
        data[:] = b"".join(lines)


def _repeat(chance: random.Random, data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    """Repeat a stretch, so that work which grows with the square of something shows."""
    at = _at(chance, data)
    piece = bytes(data[at : at + chance.choice((1, 3, 10, 100, 1000))])
    data[at:at] = piece * min(chance.choice((1, 1, 10, 300)), MAX_BYTES // (len(piece) or 1))


def _nest(chance: random.Random, data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    at = _at(chance, data)
    data[at:at] = chance.choice(_BRACKETS) * chance.choice((1, 2, 20, 3000))


def _splice(chance: random.Random, data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes]) -> None:
    """The beginning of this and the end of another good input."""
    other = chance.choice(seeds)
    data[_at(chance, data) :] = other[chance.randrange(len(other) + 1) :]


CHANGES: tuple[Change, ...] = (
    _bit,
    _byte,
    _cut,
    _insert,
    _length,
    _word,
    _word,
    _word,
    _line,
    _line,
    _repeat,
    _nest,
    _splice,
)


def example(chance: random.Random, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    """One changed input; now and then a good one, or bytes that were never anything."""
    kind = chance.randrange(40)
    if kind == 0:
        return chance.randbytes(chance.choice((0, 1, 7, 64, 1000)))
    data = bytearray(chance.choice(seeds))
    for _ in range(chance.choice((1, 1, 1, 2, 3, 6)) if kind > 1 else 0):
        chance.choice(CHANGES)(chance, data, seeds, words)
    return bytes(data[:MAX_BYTES])
