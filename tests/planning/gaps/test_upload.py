"""What is against bringing one bundle to one component over its management service: each refusal by its code."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from bundlekeeper.findings import Level
from bundlekeeper.model.inventory.types import Component, Inventory, Policy
from bundlekeeper.model.manifest.types import Lifecycle, Manifest
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.stock import Holdings, SignatureState, StoredFile
from bundlekeeper.planning.gaps.upload import JudgedUpload, UploadChange, judge_upload
from tests.kits.planning_kit import NOW, blade, marram, stored_all, whole_domain

IO = "HOLM-A-IO-MODULE-IO-1-L"


def allowing(kind: str = "io-module", **more: Any) -> Manifest:
    """The example manifest, in which the service of a kind takes a bundle's file."""
    rule = marram().kind.get(kind)
    own = {**(rule.model_dump(exclude_none=True) if rule else {}), "upload": True, **more}
    found = marram().model_copy(update={"kind": {**marram().kind, kind: type(marram().kind["io-module"])(**own)}})
    assert found.kind[kind].upload
    return found


def judged(
    manifest: Manifest | None = None,
    inventory: Inventory | None = None,
    *,
    key: str = IO,
    version: str = "6.1.0",
    family: str = "infrastructure",
    holdings: Holdings | None = None,
    activates: bool = False,
) -> JudgedUpload:
    rules = manifest or allowing()
    bundle = next(one for one in rules.bundle if (one.family, one.version) == (family, version))
    fleet = Fleet(rules, inventory or whole_domain("6.0.1"))
    return judge_upload(fleet, "holm-a", UploadChange(key, bundle, activates), holdings or stored_all(rules), NOW)


def against(found: JudgedUpload) -> set[str]:
    return {one.code for one in found.findings if one.level is not Level.NOTE}


def changed(keys: set[str], **values: Any) -> Inventory:
    whole = whole_domain("6.0.1")
    assert keys & {component.key for component in whole.components}
    rows = (replace(one, **values) if one.key in keys else one for one in whole.components)
    return replace(whole, components=tuple(rows))


def test_nothing_is_against_a_change_of_a_whole_and_healthy_domain() -> None:
    found = judged()
    assert (found.version, found.method, against(found)) == ("6.1.0", "two-bank", set())
    assert found.effect == "that path is down while it restarts"


def test_a_kind_whose_table_does_not_say_it_is_refused() -> None:
    assert against(judged(marram())) == {"not-for-upload"}
    assert "upload = true" in judged(marram()).findings[0].hint


def test_a_kind_that_goes_by_policy_is_refused_with_that_reason() -> None:
    inventory = whole_domain("6.0.1")
    bios = next(one for one in inventory.components if one.kind == "bios" and one.model == "Tern-2")
    found = judged(allowing("bios"), inventory, key=bios.key, family="blade")
    assert against(found) == {"not-for-upload"}
    assert "goes by policy" in found.findings[0].message


def test_what_is_overwritten_has_no_bank_to_stage_into() -> None:
    inventory = whole_domain("6.0.1")
    manager = next(one for one in inventory.components if one.kind == "domain-manager" and one.half == "leading")
    assert against(judged(allowing("domain-manager"), inventory, key=manager.key)) == {"not-for-upload"}
    activating = judged(allowing("domain-manager"), inventory, key=manager.key, activates=True)
    assert "not-for-upload" not in against(activating)


def test_a_server_whose_policy_names_another_version_is_refused() -> None:
    """The operator brings it, but the server's policy would bring another one again."""
    manifest = allowing("bios", applied_by="operator")
    inventory = whole_domain("6.0.1")
    bios = next(one for one in inventory.components if one.kind == "bios" and one.model == "Tern-2")
    named = replace(inventory, policies=(Policy("gold", {"blade": "6.0.1"}, "on-reset", ("holm-a",)),))
    assert "policy-differs" in against(judged(manifest, named, key=bios.key, family="blade"))
    same = replace(inventory, policies=(Policy("gold", {"blade": "6.1.0"}, "on-reset", ("holm-a",)),))
    assert "policy-differs" not in against(judged(manifest, same, key=bios.key, family="blade"))
    unknown = replace(inventory, policies=(Policy("gold", None, "on-reset", ("holm-a",)),))
    assert "not-checked" in against(judged(manifest, unknown, key=bios.key, family="blade"))


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"active": "5.4.10"}, "jump-refused"),
        ({"active": None}, "version-unknown"),
        ({"active": "6.1.0"}, "no-change"),
        ({"active": "6.0.0"}, "version-unknown"),
        ({"model": "Rush-9"}, "model-unsupported"),
        ({"model": None}, "not-checked"),
    ],
)
def test_what_the_component_is_refuses(values: dict[str, Any], code: str) -> None:
    assert code in against(judged(inventory=changed({IO}, **values)))


@pytest.mark.parametrize(
    ("values", "code"), [({"healthy": False}, "pair-unhealthy"), ({"healthy": None}, "not-checked")]
)
def test_its_pair_refuses_whichever_half_it_is(values: dict[str, Any], code: str) -> None:
    assert code in against(judged(inventory=changed({"HOLM-A-IO-MODULE-IO-1-F"}, **values)))


def test_another_pair_is_not_its_matter() -> None:
    assert against(judged(inventory=changed({"HOLM-A-CHASSIS-CONTROLLER-CC-1-L"}, healthy=False))) == set()


def test_what_may_not_run_beside_it_once_activated_refuses() -> None:
    old = [component for slot in ("1", "2") for component in blade(slot, "5.4.10")]
    whole = whole_domain("6.0.1")
    rest = [one for one in whole.components if one.model not in ("Tern-2",)]
    found = judged(inventory=replace(whole, components=(*rest, *old)))
    assert "mix-refused" in against(found)
    assert any("once activated" in one.message for one in found.findings)


def test_space_refuses_where_the_image_goes_into_a_file_system() -> None:
    inventory = whole_domain("6.0.1")
    switch = next(one for one in inventory.components if one.kind == "fabric-switch")
    assert "not-checked" in against(
        judged(allowing("fabric-switch"), replace(inventory, partitions=()), key=switch.key)
    )
    full = tuple(replace(one, free_bytes=0) for one in inventory.partitions)
    found = judged(allowing("fabric-switch"), replace(inventory, partitions=full), key=switch.key)
    assert against(found) & {"not-enough-space", "not-checked"}


@pytest.mark.parametrize(
    ("holdings", "code"),
    [
        (Holdings(), "not-in-store"),
        ("unverified", "unverified"),
        ("stale", "stale-verification"),
        ("unsigned", "unsigned"),
    ],
)
def test_the_bundle_itself_refuses(holdings: Holdings | str, code: str) -> None:
    rules = allowing()
    rows = [StoredFile(one.sha256, one.family, one.version, one.variant or "", True, NOW) for one in rules.bundle]
    if holdings == "unverified":
        holdings = Holdings(replace(row, verified=False) for row in rows)
    elif holdings == "stale":
        old = NOW.replace(year=2025)
        holdings = Holdings((replace(row, verified_at=old) for row in rows), max_verification_age_s=86400)
    elif holdings == "unsigned":
        absent = [replace(row, signature=SignatureState.ABSENT) for row in rows]
        holdings = Holdings(absent, signed_families=("infrastructure",))
    assert isinstance(holdings, Holdings)
    assert code in against(judged(rules, holdings=holdings))


def test_a_withdrawn_bundle_and_a_digest_of_its_own_refuse() -> None:
    rules = allowing()
    change = {"lifecycle": Lifecycle.WITHDRAWN, "reason": "it stops", "digest_from": "own copy"}
    bundles = tuple(one.model_copy(update=change) for one in rules.bundle)
    assert {"withdrawn", "self-digest"} <= against(judged(rules.model_copy(update={"bundle": bundles})))


def test_a_neighbour_that_differs_is_a_finding_that_can_be_accepted() -> None:
    rows = list(whole_domain("6.0.1").components)
    more = [replace(one, serial=f"{one.serial}-{n}", slot=f"io-{n}", pair=f"p{n}") for n in (2, 3)
            for one in rows if one.kind == "io-module"]  # fmt: skip
    older: list[Component] = [replace(one, active="5.4.10") if one.key == IO else one for one in rows]
    found = judged(inventory=replace(whole_domain("6.0.1"), components=(*older, *more)), version="6.0.1")
    assert "component-differs" in against(found)


def test_a_model_may_differ_from_its_kind() -> None:
    kind = type(marram().kind["io-module"])
    models = {"Rush-4": kind(upload=False)}
    found = allowing(models=models)
    assert against(judged(found)) == {"not-for-upload"}
