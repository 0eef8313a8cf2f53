"""One problem of a manifest, by path; places come later, so that a good manifest never pays for them."""

from __future__ import annotations

from dataclasses import dataclass

from bundlekeeper.findings import Level
from bundlekeeper.formats.toml_positions import Path


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong at `path`.

    `on_key`: the key is meant, not its value. `at`: the offset in characters of the one character that is meant, inside
    a text. `other`: the path of a second thing that `message` ends with; its line is added. `level`: where it is not the
    code's own.
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
    for component in path:
        if isinstance(component, int):
            text += f"[{component}]"
        else:
            plain = component.isascii() and component.replace("-", "").replace("_", "").isalnum()
            text += ("." if text else "") + (component if plain else repr(component))
    return text or "the manifest"
