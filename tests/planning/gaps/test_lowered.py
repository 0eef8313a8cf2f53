"""Policies that would take components down: as findings of a domain, beside those of `gaps`."""

from __future__ import annotations

from dataclasses import replace

from bundlekeeper.findings import Finding
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.gaps.lowered import policy_findings
from tests.kits.planning_kit import bundle, image, inventory, manifest, marram, whole_domain


def found(named: str, applies: str | None = "on-reset", *, besides: tuple[str, ...] = ()) -> list[Finding]:
    domain = whole_domain("6.0.1", blades=1, racks=0)
    gold = replace(domain.policies[0], versions={"blade": named}, applies=applies)
    fleet = Fleet(marram(), inventory(domain.components, domain.partitions, [gold]))
    return list(policy_findings(fleet, "holm-a", besides))


def test_a_policy_that_names_an_older_version_than_runs_takes_it_down_the_next_time_it_applies() -> None:
    """A downgrade by accident; where it applies by itself, or may, nobody is asked again."""
    (low,) = found("5.4.10")
    assert (low.code, low.level, low.subject) == ("downgrade", "warning", "policy gold")
    assert low.message == "names blade 5.4.10, and 6.0.1 runs: 3 components go down when the policy applies"
    for applies in ("immediate", "at-maintenance-window-start", None):
        assert [row.level for row in found("5.4.10", applies)] == ["error"]
    assert [row for named in ("6.0.1", "6.1.0", "golden-image") for row in found(named)] == []
    assert "2 components go" in found("5.4.10", besides=("SRV-holm-a-1-1-bios",))[0].message


def test_an_image_that_the_older_bundle_has_as_well_does_not_go_down() -> None:
    rows = [bundle("blade", v, image("bios", "Tern-2", "1.0"), image("management-controller", "Tern-2", v))
            for v in ("1.0", "2.0")]  # fmt: skip
    rows.append(bundle("infrastructure", "1.0", image("fabric-switch", "Reed-40", "1.0")))
    rules = manifest(*rows, release=({"name": "2.0", "infrastructure": "1.0", "blade": "2.0"},))
    domain = whole_domain("6.0.1", blades=1, racks=0)
    runs = {"bios": "1.0", "management-controller": "2.0"}
    components = [replace(p, active=runs[p.kind]) for p in domain.components if p.kind in runs]
    gold = replace(domain.policies[0], versions={"blade": "1.0"})
    low = list(policy_findings(Fleet(rules, inventory(components, (), [gold])), "holm-a"))
    assert [row.message for row in low] == [
        "names blade 1.0, and 2.0 runs: 1 component goes down when the policy applies"
    ]
