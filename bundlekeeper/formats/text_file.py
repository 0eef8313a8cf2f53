"""A text file as people see it: its name, its lines, and places in it.

Rules: lines end with LF or CRLF and nothing else (TOML 1.0.0, 'Spec'); lines and columns count from 1, columns count
characters; bytes that are no UTF-8 are shown, never dropped; no value is shown at more than `MAX_SHOWN` characters.
"""

from __future__ import annotations

from bundlekeeper.formats.caret import excerpt
from bundlekeeper.formats.escape import visible
from bundlekeeper.frozen import dataclass

MAX_SHOWN = 80
_NEAR = 400  # characters of a line on either side that an excerpt is cut from


@dataclass(frozen=True, slots=True)
class SourceText:
    """The name of a text file and its text."""

    name: str
    text: str

    def where(self, line: int, column: int) -> str:
        """`file:line:column`."""
        return f"{self.name}:{line}:{column}"

    def excerpt(self, column: int, offset: int) -> str:
        """The line around `offset`, which is at `column`, and a caret under it."""
        # A line may be megabytes long; what is farther off is not shown anyway.
        start = max(offset - column + 1, offset - _NEAR)
        end = self.text.find("\n", offset, offset + _NEAR)
        row = self.text[start : offset + _NEAR if end < 0 else end]
        return excerpt(row.removesuffix("\r"), offset - start + 1)

    def position(self, offset: int) -> tuple[int, int]:
        """Line and column of a character offset."""
        line_start = self.text.rfind("\n", 0, offset) + 1
        return self.text.count("\n", 0, line_start) + 1, offset - line_start + 1

    def offset(self, line: int, column: int) -> int:
        """The character offset of a line and column; the end of the text where there is no such line."""
        start = 0
        for _ in range(line - 1):
            found = self.text.find("\n", start)
            if found < 0:
                return len(self.text)
            start = found + 1
        return min(start + column - 1, len(self.text))


def shown(value: object) -> str:
    """A value as a sentence names it: texts as they are, in single quotes; long ones cut; escaped."""
    if isinstance(value, str):
        cut = value if len(value) <= MAX_SHOWN else value[: MAX_SHOWN - 1] + "…"
        return f"'{visible(cut)}'"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "an array"
    if isinstance(value, bool):
        return str(value).lower()
    text = str(value)
    return text if len(text) <= MAX_SHOWN else text[: MAX_SHOWN - 1] + "…"
