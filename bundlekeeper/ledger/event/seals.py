"""A seal on each row: a CRC-32 over its cells, so that a row that a disk or a copy changed is reported and not used.

Rules: a seal is written with its row and compared whenever the row is read; it does not protect from a forger, the
chain does; NULL is sealed as a number that no cell can be. CRC-32 finds every change of up to 32 bits in a row
(ISO/IEC 3309, as in zlib).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from struct import Struct, error
from typing import Any
from zlib import crc32

from bundlekeeper.errors import DamagedError

_NULL = -(2**63)

REBUILD_HINT = (
    "bundlekeeper ledger rebuild makes it again from the events. If that is refused, restore the last copy, or save "
    "what can be read into a new ledger (bundlekeeper ledger salvage FILE)"
)


@cache
def _form(count: int) -> Struct:
    return Struct(f"<{count}q")


def seal(numbers: Sequence[int | None], more: bytes = b"") -> int:
    """The seal of a row of whole numbers or NULLs, and of bytes beside them. Raises struct.error for other cells."""
    return crc32(more, crc32(_form(len(numbers)).pack(*[_NULL if cell is None else cell for cell in numbers])))


def is_whole(numbers: Sequence[Any], found: Any, more: bytes = b"") -> bool:  # noqa: ANN401 - whatever a damaged row holds
    """True when a row as it was read has the seal that was written with it."""
    try:
        return bool(seal(numbers, more) == found)
    except error:
        return False


def word_seal(number: int, text: str) -> int:
    """The seal of a word: of its number and its text."""
    return crc32(text.encode(), number & 0xFFFFFFFF)


def derived(what: str) -> DamagedError:
    """The error for something that is derived from the events, is not what was written, and can be made again."""
    return DamagedError(f"the ledger is damaged: {what}", hint=REBUILD_HINT)
