"""Reads the values of a JSON document of ours strictly, with the place of each as a JSON pointer (RFC 6901).

Rules: a key that is lacking, unknown or of the wrong type is refused, nothing is repaired or guessed; text is bounded;
a boolean is no number; only InputError comes out. `model.strict_json` reads the bytes before.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.safe_names import problems_of_name

_HEX = re.compile(r"[0-9a-f]+")


@dataclass(frozen=True, slots=True)
class JsonReader:
    """Reads the values of one document. `what` names it in messages ("the set's index"), `where` is its file.

    Every method takes the value and its place, and raises InputError where the value cannot be.
    """

    what: str
    where: str

    def wrong(self, at: str, says: str) -> InputError:
        """The error that says what is wrong at a place."""
        return InputError(f"{self.what}: {at or '/'} {says}", where=self.where)

    def table(self, found: object, at: str, keys: set[str]) -> Mapping[str, object]:
        """An object with exactly these keys."""
        if not isinstance(found, dict):
            raise self.wrong(at, "is no object")
        lacking, unknown = sorted(keys - found.keys()), sorted(found.keys() - keys)
        if lacking or unknown:
            says = [f"lacks {', '.join(lacking)}"] * bool(lacking)
            says += [f"has the unknown key {visible(str(key))[:40]}" for key in unknown[:1]]
            raise self.wrong(at, " and ".join(says))
        return found

    def array(self, found: object, at: str, most: int) -> list[object]:
        """An array of at most so many entries."""
        if not isinstance(found, list):
            raise self.wrong(at, "is no array")
        if len(found) > most:
            raise self.wrong(at, f"has {len(found)} entries, {most} are allowed")
        return found

    def mapping(self, found: object, at: str, most: int) -> Mapping[str, object]:
        """An object with any keys, at most so many."""
        if not isinstance(found, dict):
            raise self.wrong(at, "is no object")
        if len(found) > most:
            raise self.wrong(at, f"has {len(found)} keys, {most} are allowed")
        return found

    def numbered(self, found: object, at: str, most: int) -> Iterator[tuple[int, str, object]]:
        """Number, place and value of each key of an object whose keys are whole numbers."""
        for key, value in self.mapping(found, at, most).items():
            if not (key.isascii() and key.isdecimal()):
                raise self.wrong(at, f"has the key {visible(key)[:40]}, which is no whole number")
            yield int(key), f"{at}/{key}", value

    def text(self, found: object, at: str, *, empty: bool = False, most: int = 4096) -> str:
        """A text of at most so many characters; empty only where that may be."""
        if not isinstance(found, str) or len(found) > most or not (found or empty):
            raise self.wrong(at, "is no text" if not isinstance(found, str) else "is empty or too long")
        return found

    def matching(self, found: object, at: str, pattern: re.Pattern[str], most: int) -> str:
        """A text that matches the whole pattern, of at most so many characters."""
        text = self.text(found, at)
        if len(text) > most or not pattern.fullmatch(text):
            raise self.wrong(at, f"cannot be {visible(text)[:80]}")
        return text

    def hexadecimal(self, found: object, at: str, digits: int | None) -> str:
        """Lower-case hexadecimal digits, so many, or up to 128 for None."""
        text = self.text(found, at)
        if not _HEX.fullmatch(text) or (len(text) != digits if digits else len(text) > 128):
            raise self.wrong(at, f"is not {digits or 'some'} hexadecimal digits in lower case")
        return text

    def number(self, found: object, at: str, *, least: int = 0, most: int = 2**63 - 1) -> int:
        """A whole number, no boolean."""
        if not isinstance(found, int) or isinstance(found, bool) or not least <= found <= most:
            raise self.wrong(at, f"is no whole number from {least} to {most}")
        return found

    def boolean(self, found: object, at: str) -> bool:
        """True or false."""
        if not isinstance(found, bool):
            raise self.wrong(at, "is neither true nor false")
        return found

    def moment(self, found: object, at: str) -> datetime:
        """A date and time with its zone (RFC 3339)."""
        text = self.text(found, at)
        try:
            moment = datetime.fromisoformat(text)
        except ValueError as e:
            raise self.wrong(at, "is no date and time (RFC 3339)") from e
        if moment.tzinfo is None:
            raise self.wrong(at, "has no zone")
        return moment

    def path(self, found: object, at: str) -> str:
        """A POSIX path whose every name is safe on every file system (model.names)."""
        text = self.text(found, at)
        for name in text.split("/"):
            problems = problems_of_name(name)
            if problems:
                raise self.wrong(at, f"{visible(text)[:120]}: {problems[0].says}")
        return text
