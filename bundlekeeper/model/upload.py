"""One file that is brought to one component over its management service: what is meant, and what became of it.

Rules: what nobody read back is never called staged; only on-start-update-request brings an image without activating it,
every other apply time starts it, at once or at some later restart. The words are those of DMTF DSP0266's apply times.
"""

from __future__ import annotations

from enum import StrEnum

from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import APPLIES

#: The apply time that stages: the image waits until somebody asks the service to start it, which is never done here.
STAGING = "on-start-update-request"
#: Those that activate. The last two need a window.
ACTIVATING = tuple(word for word in APPLIES if word != STAGING)
#: The key of the apply time in the entry of an upload that was begun.
APPLY_TIME = "apply_time"
IN_WINDOW = tuple(word for word in ACTIVATING if "maintenance-window" in word)


class UploadWay(StrEnum):
    """How the file reaches the service, the best first."""

    MULTIPART = "MultipartHttpPushUri"
    PUSH = "HttpPushUri"
    SIMPLE = "SimpleUpdate"  # the service fetches it itself, so nobody here knows which bytes it got


class UploadResult(StrEnum):
    """What became of an upload, as far as it was read back."""

    STAGED = "staged"
    ACTIVATED = "activated"
    FAILED = "failed"
    UNKNOWN = "outcome-unknown"
    NOT_TRIED = "not-tried"


@dataclass(frozen=True, slots=True)
class UploadOutcome:
    """`seen` are the versions that were read back, by bank; `messages` the service's own, bounded and printable.

    `reason` is why it failed, or why nobody knows; `task` the task's address, "" for none.
    """

    result: UploadResult
    reason: str = ""
    seen: tuple[tuple[str, str], ...] = ()
    task: str = ""
    messages: tuple[str, ...] = ()


def redfish_word(apply_time: str) -> str:
    """`on-reset` as the protocol has it: `OnReset`."""
    return "".join(word.capitalize() for word in apply_time.split("-"))
