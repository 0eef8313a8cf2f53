"""One take in a process of its own, for tests that kill it: `python -m tests.kits.store_child BASE [WAIT_S]`.

The folder BASE holds `source`, `store` and `bundles.json`: a list of [file, right size, right SHA-256, version].
Prints one JSON object: statuses, finding codes, bytes read, or the error.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import SimpleNamespace

from bundlekeeper.errors import KeeperError
from tests.kits.store_kit import Kit


def bundles_of(kit: Kit, base: Path) -> list[SimpleNamespace]:
    """The bundles that `bundles.json` describes."""
    rows = json.loads((base / "bundles.json").read_text())
    return [kit.bundle(file, b"", size=size, sha256=digest, version=version) for file, size, digest, version in rows]


def main(base: Path, wait_s: float = 0.0) -> int:
    """Run `store add` and report."""
    kit = Kit(base)
    try:
        result = kit.add(*bundles_of(kit, base), wait_s=wait_s)
    except KeeperError as error:
        print(json.dumps({"error": error.message, "hint": error.hint, "exit": error.exit_code}))
        return error.exit_code
    codes = [found.code for found in result.findings]
    print(json.dumps({"statuses": [r.status for r in result.rows], "codes": codes, "read": result.read_bytes}))
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), *map(float, sys.argv[2:])))
