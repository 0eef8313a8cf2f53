"""The latest time to turn back in a window, so that what was changed is back before the window ends.

Rules: going back from what was done so far takes as long as doing it took, which is assumed, and what is restored from
a backup takes the minutes of a backup more; so the latest time is half-way between the first action that has an effect
and the window's end. Once something begins that has no way back, or one that is not known or not allowed, there is
nothing to turn back to: the latest time is then its beginning, and it is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.planning.windows.infrastructure_actions import BACKUP_MINUTES
from bundlekeeper.planning.windows.types import EFFECTS

if TYPE_CHECKING:
    from bundlekeeper.planning.route.way_back import WayBack
    from bundlekeeper.planning.windows.types import Action, Window

_ASSUMED = "going back takes as long as going there took (assumed)"


def with_turn_back(window: Window, ways: Sequence[WayBack], length: int | None) -> Window:
    """The window with its latest time to turn back; `length` is how long it may be, None for as long as its work."""
    effects = [action for action in window.actions if action.verb in EFFECTS and action.start >= 0]
    end = window.dated.minutes if window.dated is not None else max(length or 0, window.minutes)
    if not effects:
        return replace(window, turn_back=end, turn_back_reason="nothing in it takes effect")
    of = {key: way for way in ways if way.step == window.step for key in way.keys}
    lost = [(action, way) for action in effects if (way := of.get(action.key)) and not _is_sure(way)]
    first = min(action.start for action in effects)
    restores = any(way.means == "restore" for action in effects if (way := of.get(action.key)))
    half = max(first, (end + first - BACKUP_MINUTES * restores) // 2)
    begun = min((action.start for action, _ in lost), default=half + 1)
    if begun <= half:
        return replace(window, turn_back=begun, turn_back_reason=_no_way(lost, begun))
    return replace(window, turn_back=half, turn_back_reason=_ASSUMED)


def _is_sure(way: WayBack) -> bool:
    return way.exists and way.known and (way.allowed is True or way.means == "none")


def _no_way(lost: Sequence[tuple[Action, WayBack]], begun: int) -> str:
    """What begins then and has no way back, in words."""
    ways = dict.fromkeys((way.kind, _lack(way)) for action, way in lost if action.start == begun)
    (kind, lack), more = next(iter(ways)), len({kind for kind, _ in ways}) - 1
    others = f" and {more} more" if more else ""
    return f"then {kind}{others} begins to change, and {lack}"


def _lack(way: WayBack) -> str:
    if not way.known:
        return "its way back is not known"
    if not way.exists:
        return "it has no way back"
    return "no rule allows going back" if way.allowed is False else "whether it may go back is not known"
