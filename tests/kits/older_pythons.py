"""What several tests share with those of media/writing/test_write.py."""

from __future__ import annotations

from pathlib import Path


def older_pythons() -> list[str]:
    """Interpreters from 3.8 on that this machine has, beside the one that runs."""
    roots = [Path.home() / ".pyenv" / "versions", Path("/usr/local/bin"), Path("/usr/bin")]
    found: dict[int, str] = {}
    for root in roots:
        for path in [*root.glob("3.*/bin/python3.[0-9]*"), *root.glob("python3.[0-9]*")]:
            minor = path.name.removeprefix("python3.")
            if minor.isdigit() and int(minor) >= 8:
                found.setdefault(int(minor), str(path))
    return [found[minor] for minor in sorted(found)]
