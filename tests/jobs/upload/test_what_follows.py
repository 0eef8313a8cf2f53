"""What one upload means for the next: after one that was activated early, and after one that was left open."""

from __future__ import annotations

import hashlib

from tests.conftest import Ran
from tests.kits.upload_world import NEW, OLD, UploadDesk, content, update_world


def test_after_one_that_was_activated_early_nothing_more_is_sent(desk: UploadDesk) -> None:
    domain, first, second = desk.domain()
    server = desk.service(first, second, fault="ignores-apply-time")
    done = desk.upload(domain, server)
    assert [row["result"] for row in done.json["upload"]["targets"]] == ["activated", "not-tried"]
    assert done.codes.count("activated-early") == 1
    assert [device.active for device in update_world(server).devices] == [NEW, OLD]


def test_an_open_upload_that_runs_meanwhile_was_activated_early(desk: UploadDesk) -> None:
    """It was asked to wait: that it runs when somebody asks next is told, and nothing more is sent."""
    domain, first, second = desk.domain()
    server = desk.service(first, second, fault="waits")
    world = update_world(server)
    assert result(desk.upload(first, server)) == "outcome-unknown"
    world.fault, world.devices[0].active = "", NEW
    world.tasks.clear()
    done = desk.upload(domain, server)
    assert [row["result"] for row in done.json["upload"]["targets"]] == ["not-tried", "not-tried"]
    assert (done.status, len(world.uploads)) == (4, 1)
    (message,) = [found["message"] for found in done.json["findings"] if found["code"] == "activated-early"]
    assert message.startswith(f"an upload of {NEW} was asked to wait, and it runs: the service did not wait")
    end = [event for event in desk.history(first) if event["what"] == "upload-ended"][-1]
    assert (end["after"]["outcome"], "did not wait" in end["reason"]) == ("activated", True)


def test_a_service_that_does_not_wait_for_the_window_is_found(desk: UploadDesk) -> None:
    domain, first, second = desk.domain()
    window = 'windows = 1\n[[window]]\nsite = "holm"\nbegins = 2099-01-01T01:00:00Z\nminutes = 240\n'
    (desk.folder / f"{domain}.toml").write_text(window, "utf-8")
    made = desk.run("route", domain, "--to", "6.1", "--windows", f"{domain}.toml", "--out", f"{domain}.json")
    assert made.status in (0, 1), made.out + made.err
    server = desk.service(first, second, fault="ignores-apply-time")
    asked = ("--plan", f"{domain}.json", "--activate", "at-maintenance-window-start", "--confirm", domain)
    done = desk.upload(domain, server, more=asked)
    assert [row["result"] for row in done.json["upload"]["targets"]] == ["activated", "not-tried"]
    assert "activated-early" in done.codes
    assert done.status != 0


def test_an_upload_is_settled_by_the_bundle_that_it_brought(desk: UploadDesk) -> None:
    _, serial, other = desk.domain()
    server = desk.service(serial, other, fault="waits")
    world = update_world(server)
    for device in world.devices:
        device.active, device.spare = "5.4.10", ""
        assert desk.run("observe", device.serial, "--active", "5.4.10", "--reported-by", "kim").status == 0
    assert result(desk.upload(serial, server, bundle=f"infrastructure/{OLD}")) == "outcome-unknown"
    world.fault, world.devices[0].pending = "", OLD
    world.tasks.clear()
    assert result(desk.upload(serial, server)) == "staged"
    staged = [event for event in desk.history(serial) if event["what"] == "staged"]
    assert [(event["version"], event["bundle"]) for event in staged] == [(OLD, OLD), (NEW, NEW)]
    digests = [hashlib.sha256(content("infrastructure", version)).hexdigest() for version in (OLD, NEW)]
    assert [event["sha256"] for event in staged] == digests


def test_an_open_upload_that_is_listed_as_spare_is_not_called_unlisted(desk: UploadDesk) -> None:
    for was, found, said in (("5.4.10", "staged", ""), (NEW, "failed", "only as spare")):
        _, serial, other = desk.domain()
        server = desk.service(serial, other, fault="waits")
        world = update_world(server)
        world.devices[0].spare = was
        assert result(desk.upload(serial, server)) == "outcome-unknown"
        world.fault, world.devices[0].spare = "", NEW
        world.tasks.clear()
        desk.upload(serial, server)
        ends = [event for event in desk.history(serial) if event["what"] == "upload-ended"]
        assert ends[1]["after"]["outcome"] == found, was
        assert len(world.uploads) == (1 if found == "staged" else 2)  # what is there is not sent again
        assert said in ends[1].get("reason", "")
        assert "does not list it" not in ends[1].get("reason", "")


def result(done: Ran) -> str:
    """What became of the only target."""
    (row,) = done.json["upload"]["targets"]
    return str(row["result"])
