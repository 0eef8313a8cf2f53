"""Puts the page together: template, style sheet, the library for SHA-256, our script; the policy by their digests.

Rules: one static file without a network, for browsers of 2022 and newer, opened from the medium itself; it is the same
on every volume, so that the signed index names its digest; it knows what should be there from the volume's own lists;
its policy allows its one script and its one style sheet by their digests, and nothing else; what a name holds is text.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib import resources

NAME = "verify.html"


@cache
def verify_page() -> bytes:
    """The page: its parts in this folder, put into one file. Raises nothing."""
    folder = resources.files("bundlekeeper.media.volume.page")
    template, style, library, script = (
        folder.joinpath(name).read_text("utf-8") for name in (NAME, "style.css", "sha256.js", "script.js")
    )
    code = f'"use strict";\n{library}{script}'
    policy = f"default-src 'none'; script-src {_source(code)}; style-src {_source(style)}; base-uri 'none'"
    page = template.replace("{{policy}}", f"{policy}; form-action 'none'")
    return page.replace("{{style}}", style).replace("{{script}}", code).encode()


def _source(text: str) -> str:
    """What a policy calls an inline part: the SHA-256 of the text between its tags (CSP Level 3, hash-source)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
