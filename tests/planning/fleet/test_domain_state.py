"""Where components and servers stand: the trade's definition of 'at a bundle', by examples and against a naive
reading."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.model.inventory.types import Component
from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.planning.fleet import domain_state
from bundlekeeper.planning.fleet.domain_state import DomainState, StateReader, read_domain
from bundlekeeper.planning.fleet.manifest_index import ManifestIndex
from tests.kits.planning_kit import blade, bundle, image, manifest, marram, pair

SWITCH = Component("fabric-switch", "holm", "holm-a", model="Reed-40", serial="FS-1", active="6.0.1")


def _stand(manifest_: Manifest, *components: Component) -> DomainState:
    return read_domain(StateReader(ManifestIndex(manifest_)), "holm-a", components)


def _two() -> Manifest:
    return manifest(
        bundle("blade", "5.0", image("bios", "Tern-2", "1.0"), image("network-adapter", "Tern-2", "7")),
        bundle("blade", "6.0", image("bios", "Tern-2", "2.0"), image("network-adapter", "Tern-2", "7")),
        bundle("blade", "7.0", image("bios", "Tern-2", "3.0"), image("network-adapter", "Tern-2", "8")),
    )


def test_a_part_may_be_at_several_bundles_or_at_none() -> None:
    """It may be at several, or at none (`version-unknown`, never assumed good)."""
    bios, _, adapter = blade("1", "7")
    [server] = _stand(_two(), bios, adapter).servers
    assert [p.reading.bundles for p in server.components] == [(), ("5.0", "6.0")]
    assert server.components[0].reading.lack == domain_state.UNLISTED
    assert server.server_class.at.bundles == () and not server.server_class.at.certain


def test_a_server_is_at_the_bundle_that_all_its_parts_are_at() -> None:
    """A server is at B when every component that B covers is."""
    bios, _, adapter = blade("1", "7")
    [server] = _stand(_two(), replace(bios, active="2.0"), adapter).servers
    assert server.server_class.at.bundles == ("6.0",)
    assert not server.server_class.at.mixed


def test_a_mixed_server_is_held_at_the_narrowest_stretch() -> None:
    """Else it is mixed, and rules must hold for the lowest and the highest bundle found."""
    bios, _, adapter = blade("1", "7")
    [server] = _stand(_two(), replace(bios, active="3.0"), adapter).servers
    assert server.server_class.at.mixed
    assert server.server_class.at.readings == (("6.0",), ("7.0",))  # not 5.0: the adapter's image just did not change


@pytest.mark.parametrize(
    ("change", "lack"),
    [
        ({"active": None}, domain_state.NO_VERSION),
        ({"model": None}, domain_state.NO_MODEL),
        ({"model": ""}, domain_state.UNLISTED),
    ],
)
def test_what_is_not_known_is_at_no_bundle(change: dict[str, str | None], lack: str) -> None:
    """Unknown is never zero and never good."""
    [component] = _stand(marram(), replace(SWITCH, **change)).infrastructure  # type: ignore[arg-type]  # one key at a time
    assert component.reading.bundles == () and component.reading.lack == lack


def test_equal_in_order_is_at_the_bundle_but_the_very_text_wins() -> None:
    """ "6.1 = 6.1.0": a bundle that lists the text as read wins over one that lists an equal version."""
    one = manifest(bundle("infrastructure", "9", image("fabric-switch", "Reed-40", "6.1.0")))
    both = manifest(
        bundle("infrastructure", "9", image("fabric-switch", "Reed-40", "6.1.0")),
        bundle("infrastructure", "10", image("fabric-switch", "Reed-40", "6.1")),
    )
    component = replace(SWITCH, active="6.1")
    assert _stand(one, component).infrastructure[0].reading.bundles == ("9",)
    assert _stand(both, component).infrastructure[0].reading.bundles == ("10",)


def test_image_versions_are_read_in_their_kinds_own_order() -> None:
    """ "`[kind.X] order = …` overrides for image versions": the example's model list is listed."""
    table = Component("model-list", "holm", "holm-a", model="Reed-40", serial="MT", active="2026-1")
    rows = _stand(marram(), table, replace(table, serial="MT2", active="2026-9")).infrastructure
    assert [r.reading.bundles for r in rows] == [("6.0.1",), ()]
    assert rows[1].reading.lack == domain_state.UNORDERED


def test_a_server_is_at_bundles_of_its_own_variant_only() -> None:
    """What its own components name comes before what the domain's infrastructure names; nothing is guessed."""
    rows = [
        bundle("rack", "6.0", image("bios", "Gull-1", "6.0"), variant="single-servers"),
        bundle("rack", "5.0", image("bios", "Gull-1", "6.0")),
    ]
    bios, bmc, _ = blade("", "6.0", model="Gull-1", chassis="")
    managers = pair("domain-manager", "m", "6.0")

    def at(*components: Component) -> tuple[str | None, tuple[str, ...], str]:
        [server] = _stand(manifest(*rows), *components).servers
        assert server.family == "rack"
        reading = next(component.reading for component in server.components if component.component.kind == "bios")
        return reading.variant, reading.bundles, reading.lack

    assert at(bios, *managers) == ("managed-servers", ("5.0",), "")
    single = replace(bios, variant="single-servers")
    assert at(single, *managers) == ("single-servers", ("6.0",), "")
    assert at(bios, replace(bmc, variant="single-servers"), *managers) == ("single-servers", ("6.0",), "")
    for nothing in (
        (bios,),
        (bios, managers[0], replace(managers[1], variant="single-servers")),
        (single, replace(bmc, variant="managed-servers"), *managers),
    ):
        assert at(*nothing) == (None, (), domain_state.NO_VARIANT)
    none = replace(managers[0], variant="")  # known to take none: a bundle that names none
    assert at(bios, none) == ("", (), domain_state.UNLISTED)


def test_a_patch_covers_what_its_base_covers() -> None:
    """A server with the patched component and an old one is mixed, though the patch's own file lists only the first."""
    rows = [
        bundle("blade", "5", image("bios", "Tern-2", "5"), image("management-controller", "Tern-2", "5")),
        bundle("blade", "6", image("bios", "Tern-2", "6"), image("management-controller", "Tern-2", "6")),
        bundle("blade", "6-p1", image("bios", "Tern-2", "6-p1"), base="6", only=("bios",)),
    ]
    bios, controller, _ = blade("1", "6-p1")
    for version, at, mixed in [("6", ("6-p1",), False), ("5", (), True)]:
        [server] = _stand(manifest(*rows), bios, replace(controller, active=version)).servers
        assert (server.server_class.at.bundles, server.server_class.at.mixed) == (at, mixed)


def test_classes_are_servers_of_one_family_models_and_versions() -> None:
    """ "each class of servers (same family, model, versions)", whatever their place and policy."""
    components = [*blade("1", "6.0.1"), *blade("2", "6.0.1", policy="other"), *blade("3", "6.1.0")]
    components += blade("4", "6.0.1", model="Tern-4")
    found = _stand(marram(), *components)
    assert sorted(len(servers) for _, servers in found.classes) == [1, 1, 2]
    assert found.families == ("blade",)


def test_doubts_about_what_makes_a_server_are_told() -> None:
    """A component that names no server and may be in one that does is never silently a server of its own."""
    first, second, third = blade("1", "6.0.1")
    alone = replace(third, parent=None, slot=None)
    assert [d.fact for d in _stand(marram(), first, second, alone).doubts] == ["parent"]
    compatible = replace(third, parent=None)
    assert [d.fact for d in _stand(marram(), first, second, compatible).doubts] == ["parent"]
    by_place = [replace(p, parent=None) for p in (first, second, third)]
    assert _stand(marram(), *by_place).doubts == ()


def test_the_family_is_told_by_the_manifest_then_by_the_place() -> None:
    """ "a number of chassis full of blade servers …, and some rack servers" (common practice)"""
    for chassis, family in [("1", "blade"), ("", "rack"), (None, None)]:
        [server] = _stand(marram(), blade("1", "6.0.1", model="unheard-of", chassis=chassis)[0]).servers
        assert server.family == family
    [server] = _stand(marram(), blade("1", "6.0.1", model="Gull-1")[0]).servers
    assert server.family == "rack"


_VERSIONS = st.sampled_from(["1", "2", "3", "4", "1.0", None])


@given(
    bundles=st.lists(st.tuples(_VERSIONS.filter(bool), _VERSIONS.filter(bool)), min_size=1, max_size=5),
    actives=st.tuples(_VERSIONS, _VERSIONS),
)
def test_at_by_a_naive_reading_of_the_definition(
    bundles: list[tuple[str, str]], actives: tuple[str | None, str | None]
) -> None:
    """ "at bundle B when B lists exactly its active version for its kind and model", re-read naively."""
    kinds = ("bios", "network-adapter")
    rows = [
        bundle("blade", f"{place}", *(image(kind, "Tern-2", v) for kind, v in zip(kinds, versions, strict=True)))
        for place, versions in enumerate(bundles, 10)
    ]
    bios, _, adapter = blade("1", "x")
    components = (replace(bios, active=actives[0]), replace(adapter, active=actives[1]))
    [server] = _stand(manifest(*rows), *components).servers

    def lists(versions: tuple[str, str], which: int) -> bool:
        active, texts = actives[which], {row[which] for row in bundles}
        if active is None:
            return False
        equal = {"1": "1.0", "1.0": "1"}.get(active)
        return versions[which] == active or (active not in texts and versions[which] == equal)

    expected = [str(p) for p, row in enumerate(bundles, 10) if lists(row, 0) and lists(row, 1)]
    assert list(server.server_class.at.bundles) == expected
    for which in (0, 1):
        at = [str(p) for p, row in enumerate(bundles, 10) if lists(row, which)]
        assert list(server.components[which].reading.bundles) == at
