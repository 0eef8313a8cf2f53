"""The options that every export has: its file, and the key that signs it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

OutOption = Annotated[
    str, typer.Option("--out", "-o", "--output", metavar="FILE", help="A new file (default: - is stdout).")
]
KeyOption = Annotated[
    Path | None, typer.Option("--key", metavar="KEYFILE", help="Sign the file with this private key, as FILE.sig.")
]
