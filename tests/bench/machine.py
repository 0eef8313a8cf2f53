"""Names the machine that the figures belong to."""

from __future__ import annotations

import os
import platform
import ssl
import subprocess
from pathlib import Path


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        lines = []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor() or platform.machine()


def _file_system(folder: Path) -> str:
    """Type and source of the mount that the folder lies on: the longest mount point above it (proc_mounts(5))."""
    best = ("", "unknown")
    real = str(folder.resolve())
    try:
        mounts = Path("/proc/mounts").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return best[1]
    for line in mounts:
        source, point, kind = line.split(" ")[:3]
        point = point.replace("\\040", " ")
        inside = point == "/" or real == point or real.startswith(point + "/")
        if inside and len(point) >= len(best[0]):
            best = (point, f"{kind} on {source}")
    return best[1]


def _openssl() -> str:
    try:
        return subprocess.run(["openssl", "version"], capture_output=True, text=True, check=True).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return "not installed"


def describe(folder: Path) -> dict[str, str]:
    """What a reader must know to compare figures."""
    return {
        "processor": _processor(),
        "cores": str(len(os.sched_getaffinity(0))),
        "memory": f"{os.sysconf('SC_PHYS_PAGES') * os.sysconf('SC_PAGE_SIZE') / 1e9:.0f} GB",
        "kernel": f"{platform.system()} {platform.release()}",
        "file system": _file_system(folder),
        "python": f"{platform.python_implementation()} {platform.python_version()}, {ssl.OPENSSL_VERSION}",
        "openssl program": _openssl(),
    }
