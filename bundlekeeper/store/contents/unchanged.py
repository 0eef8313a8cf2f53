"""When an unchanged `stat` means unchanged bytes: the reasoning behind `verify --quick`.

Let a full verification read a file's bytes from the moment B on, and let C be the ctime that fstat gave both before and
after. The kernel stamps every change with its clock's present tick. So:

1. Same tick. A change after B has a ctime of at least tick(B). If C < tick(B), it cannot have C again, and shows. If C
= tick(B), a change right after the verification may leave the very same stat behind. Hence a verification is
trustworthy only when C is older than B by two ticks, and by a second more where the stamp is a whole second (ext4 with
small inodes keeps no finer ones). Where C is younger by less than that, the reader waits it out before B. 2. Changes
under way. A long write call is stamped once, when it begins; a write through a memory map once per page until
write-back. Either may go on after B with a stamp from before B. Hence nobody may have the file open for writing at B.
The kernel knows: it grants a read lease (fcntl(2), F_SETLEASE) only then, and a memory map that can be written counts
as open. A later opener is stamped later. Where no lease can be had (another owner's file), the verification is not
trustworthy. 3. Restored times. utimensat sets mtime back but stamps ctime; nothing sets ctime. A change of mode or
owner stamps it too: the file is read again, which costs time and nothing else. 4. Another file under the name has
another inode, or the inode's next life has another ctime; device and inode count. 5. A clock that was set back: C must
not lie in the future at B, and neither C nor the verification may when trust is asked for. One case is left: a change
stamped, to the nanosecond, like C by a clock set back on purpose. 6. File systems where any of this is not true are not
trusted at all (`filesystem`).

Not covered, and only a full verification finds it: bytes that rot or are written under the file system, and a power cut
that kept new bytes but lost their stamp.
"""

from __future__ import annotations

import fcntl
import os
import signal
import time
from datetime import datetime

from bundlekeeper.store.database.rows import Verification
from bundlekeeper.store.disk.files import Fingerprint, fingerprint_of
from bundlekeeper.store.disk.filesystem import FsKind

_COARSE = 5  # CLOCK_REALTIME_COARSE (linux/time.h): the clock that file times are taken from
_SECOND_NS = 1_000_000_000
_LEAST_MARGIN_NS = 20_000_000  # two ticks of the slowest kernel, CONFIG_HZ=100


def file_clock_ns() -> int:
    """The clock that the kernel stamps files with, in nanoseconds since 1970, or a tick behind it; never ahead.

    Not the clock that is passed around as an argument: like `stat`, this is a question to the file system's kernel.
    """
    try:
        return time.clock_gettime_ns(_COARSE)
    except OSError:
        return time.time_ns()


def _tick_ns() -> int:
    try:
        return int(time.clock_getres(_COARSE) * _SECOND_NS)
    except OSError:
        return 0


def margin_ns(stamp_ns: int) -> int:
    """How much older than the read a ctime must be, in nanoseconds, by rule 1."""
    margin = max(2 * _tick_ns(), _LEAST_MARGIN_NS)
    return margin + _SECOND_NS if stamp_ns % _SECOND_NS == 0 else margin


def is_settled(stamp: Fingerprint, began_ns: int) -> bool:
    """True when every change after `began_ns` (by `file_clock_ns`) must show in the ctime."""
    return stamp.ctime_ns + margin_ns(stamp.ctime_ns) <= began_ns


def nobody_writes(fd: int) -> bool:
    """True when no process has the file open, or mapped, for writing right now (rule 2); False where that is unknown.

    `fd` is open for reading only. Raises nothing.
    """
    try:
        # Until it is given back, an opener for writing would be announced by SIGIO, which kills; SIGURG is ignored.
        fcntl.fcntl(fd, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except (OSError, AttributeError):
        return False
    try:
        fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError:
        return False
    return True


def begin(fd: int) -> int | None:
    """Get ready to read `fd` for a verification that can be trusted later: wait out the tick, look for writers.

    Returns B for `is_settled`, by `file_clock_ns`; None when the verification cannot be trustworthy. Waits a little
    over one second at most, and only for a file that was just changed. Raises OSError when fstat fails.
    """
    stamp = fingerprint_of(os.fstat(fd))
    patience_ns = margin_ns(stamp.ctime_ns) + 4 * _tick_ns()  # the clock may stand still for more than one tick
    until_ns = time.monotonic_ns() + patience_ns
    while not is_settled(stamp, began_ns := file_clock_ns()):
        early_ns = stamp.ctime_ns + margin_ns(stamp.ctime_ns) - began_ns
        if early_ns > patience_ns or time.monotonic_ns() > until_ns:  # a stamp from the future
            return None
        time.sleep((early_ns + _tick_ns() // 2) / _SECOND_NS)
    return began_ns if nobody_writes(fd) else None


def may_trust(verification: Verification, found: Fingerprint, kind: FsKind, now: datetime) -> bool:
    """True when the bytes must still be those of the verification, going by `found`, what stat says now.

    The caller compares its digest with the one that is expected now.
    """
    return (
        verification.trustworthy
        and verification.fingerprint == found
        and kind.stable_identity
        and verification.verified_at <= now
        and found.ctime_ns <= time.time_ns()
    )
