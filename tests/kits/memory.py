"""How much memory a process took, as it reports itself."""

from __future__ import annotations

from pathlib import Path


def peak_bytes() -> int:
    """The peak resident memory of this process, in bytes (proc(5), VmHWM).

    Not getrusage(2): its maximum outlives exec, so that a child's begins at that of whoever started it.
    """
    lines = Path("/proc/self/status").read_text("ascii", "replace").splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("VmHWM"))) * 1024
