"""One problem of a manifest, by path; places come later, so that a good manifest never pays for them."""

from __future__ import annotations

from bundlekeeper.findings import Level
from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.frozen import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong at `path`.

    `on_key`: the key is meant, not its value. `at`: the offset in characters of the one character that is meant, inside
    a text. `other`: the path of a second place, whose line is added at the end of `message`. `level`: where it is not
    the code's own.
    """

    code: str
    path: Path
    message: str
    hint: str
    on_key: bool = False
    at: int | None = None
    other: Path | None = None
    level: Level | None = None


def path_text(path: Path) -> str:
    """A path as people write it: `bundle[3].images[0].kind`; the document itself is `the manifest`."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            plain = step.isascii() and step.replace("-", "").replace("_", "").isalnum()
            text += ("." if text else "") + (step if plain else repr(step))
    return text or "the manifest"
