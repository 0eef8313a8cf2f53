"""One write of a media set in a process of its own, for tests that kill it.

`python -m tests.kits.media_child BASE STICK`: BASE holds the store that `tests.kits.media_write_kit.World` made there.
Prints what became of each volume.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.kits.media_write_kit import SPLIT, World, states


def main(base: Path, stick: Path) -> int:
    """Write, and report."""
    written = World.again(base, SPLIT, 3).write(stick)
    print(states(written))
    return written.status


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), Path(sys.argv[2])))
