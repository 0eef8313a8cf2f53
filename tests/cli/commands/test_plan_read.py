"""What management services report after a window: it is recorded as it was seen."""

from __future__ import annotations

import json
from pathlib import Path

from tests.conftest import Keeper
from tests.kits.local_server import Authority
from tests.kits.plan_commands import NAME, kept_plan, outcomes
from tests.kits.redfish_server import PASSWORD, USER, World, documents, serving

SERVER = "HOLMB-R2"
BIOS, CONTROLLER = f"{SERVER}:bios", f"{SERVER}:management-controller"


def _window_of(office: Keeper, key: str) -> int:
    windows = office("plan", "progress", NAME, "--json").json["windows"]
    return next(int(row["number"]) for row in windows if key in {part["key"] for part in row["components"]})


def test_what_services_report_is_recorded_as_it_was_seen(office: Keeper, tmp_path: Path) -> None:
    """The service has BIOS 6.0.1, which the window brings, and a controller that runs the plan's last version already;
    of all others nothing is known. A second service has the old BIOS."""
    kept_plan(office, tmp_path)
    window = _window_of(office, BIOS)
    for number in range(1, window):
        assert office("plan", "record", NAME, "--window", str(number), "--yes").status == 0
    text = json.dumps(documents("rack")).replace("HOLM-R2", SERVER)
    authority = Authority(tmp_path)
    read = ("plan", "record", NAME, "--window", str(window), "--user", USER, "--ca", str(authority.path))
    env = {"BUNDLEKEEPER_PASSWORD": PASSWORD}
    with serving(World(json.loads(text)), authority.context()) as server:
        done = office(*read, "--yes", "--read", server.url, "--json", env=env)
    assert done.status == 0, done.out + done.err
    after = outcomes(office, window)
    assert (after[BIOS], after[CONTROLLER]) == ("done", "done")
    others = {outcome for key, outcome in after.items() if key not in (BIOS, CONTROLLER)}
    assert others == {"not-read-back"}, "what nobody saw is not read back"
    assert set(done.json["not_read"]) == set(after) - {BIOS, CONTROLLER}
    old = text.replace('"BiosVersion": "6.0.1"', '"BiosVersion": "5.4.10"').replace('"6.0.1"', '"5.4.10"')
    other = json.loads(old.replace(SERVER, "HOLMB-R1"))
    with serving(World(other), authority.context()) as server:
        seen = office(*read, "--read", server.url, env=env)
    assert (seen.status, "runs 5.4.10, not 6.0.1" in seen.out) == (1, True), seen.out + seen.err
    assert outcomes(office, window)["HOLMB-R1:bios"] == "failed"
    both = office(*read, "--read", "https://127.0.0.1:9", "--sheet", "x.csv", env=env)
    assert both.status == 2
