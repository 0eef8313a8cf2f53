"""QR codes (ISO/IEC 18004, made by segno): for a terminal as half blocks, for a page as SVG.

Rules: a code that is wider than 80 columns is not drawn; light modules are drawn and dark ones left out, as on a dark
terminal, with the quiet zone that readers need (four modules, ISO/IEC 18004 §6.3.8, from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError

if TYPE_CHECKING:
    from segno import QRCode

_QUIET = 4
_WIDTH = 80
_BLOCKS = {(True, True): " ", (False, False): "█", (False, True): "▀", (True, False): "▄"}


def terminal(text: str) -> list[str]:
    """The lines to print, none where the code is too large. Raises InputError for a text that is too long for a QR
    code."""
    dark = [[bool(module) for module in row] for row in _made(text).matrix_iter(border=_QUIET)]
    if len(dark[0]) > _WIDTH:
        return []
    dark += [[False] * len(dark[0])] * (len(dark) % 2)
    pairs = zip(dark[::2], dark[1::2], strict=True)
    return ["".join(_BLOCKS[pair] for pair in zip(upper, lower, strict=True)) for upper, lower in pairs]


def svg(text: str, *, scale: int = 4) -> str:
    """The code as an SVG element for a page, `scale` pixels to a module. Raises InputError as `terminal`."""
    return str(_made(text).svg_inline(scale=scale, border=_QUIET))


def _made(text: str) -> QRCode:
    import segno

    try:
        return segno.make_qr(text, error="m")
    except ValueError as error:
        raise InputError("the code is too long for a QR code", hint="type it, or send the receipt as a file") from error
