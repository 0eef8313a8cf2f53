"""One take in a process of its own, for tests that kill it or make its calls fail: `python -m tests.store_child BASE`.

The folder BASE holds `source`, `store` and `bundles.json`: a list of [file, right size, right SHA-256, version].
Prints one JSON object: statuses, finding codes, bytes read, or the error.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import SimpleNamespace

from bundlekeeper.errors import KeeperError
from tests.store_kit import Kit


def main(base: Path) -> int:
    """Run the take and report."""
    kit = Kit(base)
    bundles = []
    for file, size, sha256, version in json.loads((base / "bundles.json").read_text()):
        plain = kit.bundle(file, b"")
        bundles.append(SimpleNamespace(**{**vars(plain), "size": size, "sha256": sha256, "version": version}))
    try:
        result = kit.take(*bundles)
    except KeeperError as error:
        print(json.dumps({"error": error.says, "hint": error.hint, "exit": error.exit_code}))
        return error.exit_code
    codes = [found.code for found in result.findings]
    print(json.dumps({"statuses": [r.status for r in result.rows], "codes": codes, "read": result.read_bytes}))
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
