"""A plan played beforehand, and the choices that the rules leave."""

from __future__ import annotations

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.planning.progress.choices import choices, to_decide
from bundlekeeper.planning.progress.played import running
from bundlekeeper.planning.progress.rehearse import failures_of, rehearse
from bundlekeeper.planning.progress.rest import judged, rest_of
from bundlekeeper.planning.progress.types import Heard
from tests.kits.followed_plans import DOMAIN, document, ground, how_far, start, work
from tests.kits.sure import some


def _server_item() -> tuple[str, int]:
    item = next(item for item in work().items if item.server)
    return item.server, item.window


def test_without_failures_every_window_goes_and_the_release_is_reached() -> None:
    played = rehearse(ground(start()), how_far(start(), {}).items, set())
    assert [window.number for window in played.windows] == [window.number for window in work().windows]
    assert (played.stuck_at, played.not_reached, played.choices) == (0, (), ())
    assert not any(window.mixture for window in played.windows)


def test_a_server_that_stays_behind_stops_the_window_that_needs_it() -> None:
    """ "infrastructure >=6.1 needs blade >=6.0 in the same domain" (the example manifest's table 5)"""
    server, number = _server_item()
    failures = failures_of(work(), [f"{server}@{number}"])
    assert len(failures) > 1, "a server is all its components"
    played = rehearse(ground(start()), how_far(start(), {}).items, failures)
    assert played.stuck_at > number
    assert {key for key, _ in failures} <= set(played.not_reached)
    by_name = {choice.name: choice for choice in played.choices}
    assert (by_name["again"].is_allowed, by_name["without"].is_allowed) == (True, False)
    assert f"window {played.stuck_at}: " in by_name["without"].findings[0].message


@pytest.mark.parametrize("word", ["nothing", "SRV@x", "SRV@99", "NOBODY@1", "@1"])
def test_a_failure_that_is_none_is_refused(word: str) -> None:
    with pytest.raises(InputError):
        failures_of(work(), [word])


def test_what_is_left_is_judged_with_the_numbers_of_the_plan() -> None:
    first = work().windows[0]
    done = {item.key: item.end for item in work().items if item.step == first.step}
    heard = {key: [Heard("observed", end, "2026-12-01", "kim")] for key, end in done.items()}
    inventory = running(start(), DOMAIN, done)
    rest = rest_of(document().plan, work(), how_far(inventory, heard).items)
    verdict = judged(ground(inventory).fleet, rest, ground(inventory).holdings)
    numbers = [step.number for step in some(verdict.route.steps)]
    assert numbers == [number for number in work().steps if number != first.step]
    assert not [finding for finding in verdict.findings if finding.code in ("no-change", "falls-short")]


def test_going_back_is_judged_from_the_state_before_the_step() -> None:
    first = work().windows[0]
    mine = [item for item in work().items if item.window == first.number]
    failed, *others = mine
    inventory = running(start(), DOMAIN, {item.key: item.end for item in others})
    heard = {item.key: [Heard("observed", item.end, "2026-12-01", "kim")] for item in others}
    heard[failed.key] = [Heard("failed", failed.end, "2026-12-01", "kim", "dead", own=True)]
    rows = how_far(inventory, heard).items
    back = choices(ground(inventory), rows, to_decide(ground(inventory), rows))[-1]
    assert (back.name, back.minutes) == ("back", first.minutes)
    assert f"on {len({item.key for item in others})} components" in back.text
    assert not back.is_allowed, "the example manifest allows no way down"
    assert to_decide(ground(start()), how_far(start(), {}).items) == ()
