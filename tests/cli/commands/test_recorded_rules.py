"""What the manifest says of what is recorded: versions that it does not know, rules, and what is passed over."""

from __future__ import annotations

from pathlib import Path

from tests.conftest import MARRAM, Keeper, World

_IO = ("--bundle", "infrastructure/6.1.0")


def _stored(keeper: Keeper) -> int:
    return int(keeper("ledger", "verify", "--json").json["chain"]["events"])


def test_a_version_that_no_manifest_knows_is_recorded_with_what_was_meant(office: Keeper) -> None:
    """ "6.10": did you mean 6.1.0? (issue 15, point 4), of observe, stage and activate alike."""
    for words in (
        ("observe", "HOLMA-IO1", "--active", "6.10"),
        ("stage", "HOLMA-IO1", "--version", "6.10"),
        ("activate", "HOLMA-IO1"),  # what is staged
        ("activate", "HOLMA-IO1", "--version", "6.10", "--failed", "it hung"),
    ):
        before = _stored(office)
        ran = office(*words, "--json")
        found = next(f for f in ran.json["findings"] if f["code"] == "version-unknown")
        assert (ran.status, found["level"], found["subject"]) == (1, "warning", "HOLMA-IO1")
        assert found["message"].startswith('"6.10" is no version of marram-')
        assert found["message"].endswith(".toml; 6.1.0?")
        assert _stored(office) == before + 1
    for version in ("6.1.0", "6.1", "5.4.2", "-"):
        ran = office("observe", "HOLMA-IO1", "--spare", version, "--dry-run", "--json")
        assert (ran.status, ran.json["findings"]) == (0, []), version


def test_an_inventory_counts_the_cells_before_its_batch(office: Keeper, tmp_path: Path) -> None:
    sheet = tmp_path / "more.toml"
    sheet.write_text(
        MARRAM.read_text("utf-8").replace('"6.0.1"', '"6.10"').replace("2026-11-20", "2026-11-23"), "utf-8"
    )
    dry = office("inventory", "load", sheet, "--dry-run")
    assert (dry.status, "version-unknown" in dry.out) == (1, True)
    ran = office("inventory", "load", sheet)
    lines = ran.out.splitlines()
    place = next(number for number, line in enumerate(lines) if "version-unknown" in line)
    assert ran.status == 1
    assert 'cells: "6.10" is no version of marram-' in lines[place]
    assert lines[place].endswith(".toml; 6.1.0?")
    assert place < next(number for number, line in enumerate(lines) if line.startswith("recorded as batch"))
    assert office("where", "HOLMA-IO1", "--json").json["components"][0]["active"]["version"] == "6.10"


def test_without_a_manifest_nothing_is_said(keeper: Keeper, world: World) -> None:
    assert keeper("inventory", "load", MARRAM).status == 0
    assert keeper("observe", "HOLMA-IO1", "--active", "6.10").status == 0


def test_equal_in_the_order_is_found_and_shown_as_read(office: Keeper) -> None:
    """Today 6.1 was no finding where 6.1.0 exists, and yet no bundle was found for it."""
    assert office("observe", "HOLMA-IO1", "--active", "6.1").status == 0
    assert office("observe", "HOLMA-IO2", "--active", "6.1.0").status == 0
    for words in (
        ("--version", "6.1"), ("--version", "6.1.0"), ("--version", "6.1.0.0"), _IO, ("--bundle", "infrastructure/6.1"),
    ):  # fmt: skip
        rows = office("where", "holm-a", "--kind", "io-module", "--bank", "active", *words, "--json").json["components"]
        assert [row["active"]["version"] for row in rows] == ["6.1", "6.1.0"], words
    counted = office("where", "--version", "6.1.0", "--bank", "active", "--count", "kind", "--json").json["groups"]
    assert [(group["kind"], group["components"]) for group in counted] == [("io-module", 2)]
    assert office("where", "--version", "6.10", "--json").json["components"] == []


def test_of_two_bundles_the_one_that_lists_the_very_text_has_it(office: Keeper, world: World, tmp_path: Path) -> None:
    later = tmp_path / "later.toml"
    text = world.manifest.read_text("utf-8").replace("sequence = 14", "sequence = 20")
    image = 'kind = "io-module", models = ["Rush-4"], version = "6.0.1"'
    assert image in text
    later.write_text(text.replace(image, image.replace("6.0.1", "6.1")), "utf-8")
    assert office("store", "add", later, "--from", world.downloads, "-q").status in (0, 1)
    assert office("observe", "HOLMA-IO1", "--active", "6.1").status == 0
    active = ("where", "HOLMA-IO1", "--bank", "active", "--json", "--bundle")
    assert office(*active, "infrastructure/6.1.0").json["components"] == []
    assert len(office(*active, "infrastructure/6.0.1").json["components"]) == 1


def test_a_reading_of_a_domain_is_about_the_kinds_that_have_the_version(office: Keeper) -> None:
    """ "`observe DOMAIN --active V` concerns only components whose kind that bundle covers" (issue 15, point 4)"""
    ran = office("observe", "holm-a", "--active", "6.1.0", "--json")
    assert ran.status == 0
    assert "passed over: 1 component: no bundle has 6.1.0 for 1 model-list" in ran.err
    rows = office("where", "holm-a", "--json").json["components"]
    assert {row["active"]["version"] for row in rows if row["kind"] != "model-list"} == {"6.1.0"}
    assert [row["active"]["version"] for row in rows if row["kind"] == "model-list"] != ["6.1.0"]
    named = office("observe", "--domain", "holm-a", "--kind", "model-list", "--active", "6.1.0", "--dry-run", "--json")
    assert (named.status, len(named.json["events"])) == (1, 1)  # named by its kind: recorded, and unknown
    other = office("observe", "holm-a", "--active", "6.10", "--dry-run", "--json")
    assert (other.status, len(other.json["events"])) == (1, len(rows))


def test_a_bundle_on_a_domain_passes_over_what_cannot_be_staged(office: Keeper) -> None:
    """ "…says so, and records the rest; no overruling option needed" (issue 15, point 7)"""
    ran = office("stage", "holm-a", *_IO, "--json")
    assert ran.status == 0, ran.err
    kinds = {row["kind"] for row in office("where", "holm-a", "--staged", *_IO, "--json").json["components"]}
    assert kinds == {"fabric-switch", "io-module", "chassis-controller"}
    assert "infrastructure 6.1.0 has no image for " in ran.err
    assert "overwritten in place, not staged (record the activation): 2 domain-manager, 1 model-list" in ran.err
    only = office("stage", "--domain", "holm-a", "--kind", "domain-manager", *_IO)
    assert (only.status, "overwritten in place, it has no bank" in only.err) == (4, True)


def test_rules_speak_and_it_is_recorded(office: Keeper) -> None:
    """ "…recorded with a warning that quotes the rule; the same image staged twice says so" (issue 15, point 7)"""
    words = ("stage", "skerry-a", "--kind", "io-module", *_IO)
    ran = office(*words, "--json")
    assert (ran.status, set(ran.codes)) == (1, {"jump-refused", "mix-refused"})
    assert all("release notes 6.1" in found["message"] for found in ran.json["findings"])
    assert office("where", "SKERRYA-IO1", "--json").json["components"][0]["staged"]["version"] == "6.1.0"
    again = office(*words)
    assert again.out.count("staged 6.1.0 in spare, as it was already") == 2
    assert "warning: jump-refused: skerry-a: 2 components" in again.err
    ran = office("activate", "skerry-a", "--kind", "io-module", "--dry-run", "--json")
    assert (ran.status, set(ran.codes), len(ran.json["events"])) == (1, {"jump-refused", "mix-refused"}, 2)
    fine = office("stage", "HOLMA-IO1", *_IO, "--json")
    assert (fine.status, fine.json["findings"]) == (0, [])


def test_a_bundle_of_the_wrong_variant_is_recorded_with_a_word(office: Keeper, world: World, tmp_path: Path) -> None:
    later = tmp_path / "later.toml"
    text = (
        world.manifest.read_text("utf-8")
        .replace("sequence = 15", "sequence = 20")
        .replace("sequence = 14", "sequence = 20")
    )
    rack = text.rindex('variant = "managed-servers"', 0, text.index("[kind.model-list]"))
    later.write_text(text[:rack] + text[rack:].replace("managed-servers", "single-servers", 1), "utf-8")
    assert office("store", "add", later, "--from", world.downloads, "-q").status in (0, 1)
    ran = office("stage", "HOLMA-R1:bios", "--bundle", "rack/6.1.0", "--json")
    assert (ran.status, ran.codes) == (1, ["wrong-variant"]), (ran.out, ran.err)
    message = "rack 6.1.0 is of the variant single-servers, and this takes managed-servers"
    assert ran.json["findings"][0]["message"] == message


def test_a_failure_is_judged_as_an_activation_and_what_runs_did_not_fail(office: Keeper, tmp_path: Path) -> None:
    assert office("stage", "HOLMA-IO1", *_IO).status == 0
    before = _stored(office)
    for words, because in (
        (("HOLMA-IO1", "--version", "7.7", "--failed", "it hung"), "7.7 is not known to be staged on it"),
        (("HOLMA-IO2", "--version", "6.0.1", "--failed", "it hung"), "6.0.1 was read back: it runs"),
    ):
        ran = office("activate", *words)
        assert (ran.status, because in ran.err) == (4, True), (words, ran.err)
    assert office("activate", "HOLMA-IO1", "--failed", "--dry-run").status == 2
    sheet = tmp_path / "done.csv"
    for answer in ("no", "yes"):
        sheet.write_text(f"name,failed\nHOLMA-IO1,{answer}\n", "utf-8")
        ran = office("activate", "--file", sheet)
        assert (ran.status, "done.csv:2: --failed needs a reason" in ran.err) == (2, True), ran.err
    assert _stored(office) == before
    meant = ("activate", "HOLMA-IO2", "--version", "6.0.1", "--failed", "it hung", "--anyway", "seen by lee")
    assert office(*meant).status in (0, 1)
    assert office("activate", "HOLMA-IO1", "--failed=--force was refused", "--dry-run").status == 0


def test_what_is_gone_is_said_and_what_comes_back_is_asked(office: Keeper) -> None:
    assert office("observe", "HOLMA-B1", "--removed").status == 0
    ran = office("where", "HOLMA-B1")
    assert (ran.status, "gone since 20" in ran.out, "--gone shows them" in ran.out) == (0, True, True), ran.out
    assert "(gone)" in office("where", "HOLMA-B1", "--gone").out
    ran = office("observe", "HOLMA-B1:bios", "--healthy", "yes", "--json")
    assert (ran.status, ran.codes) == (1, ["was-removed"])
    assert ran.json["findings"][0]["message"].startswith("HOLMA-B1:bios was removed on 20")
    assert office("observe", "HOLMA-B1:bios", "--healthy", "yes").status == 0  # it is there again


def test_one_reading_of_a_component_at_a_time_with_the_banks_that_it_has(office: Keeper, tmp_path: Path) -> None:
    before = _stored(office)
    sheet = tmp_path / "read.csv"
    sheet.write_text("name;active\nHOLMA-IO1;6.0.1\n\nHOLMA-IO1;6.1.0\n", "utf-8")
    ran = office("observe", "--file", sheet)
    assert (ran.status, f"{sheet}:4: HOLMA-IO1: it is in {sheet}:2 already" in ran.err) == (2, True), ran.err
    manager = office("where", "holm-a", "--kind", "domain-manager", "--json").json["components"][0]["component"]
    for words, because in (
        (("HOLMA-IO1", "--pending", "6.1.0", "--spare", "5.4.2"), "pending or spare, never both"),
        ((manager, "--spare", "6.1.0"), "overwritten in place"),
        (("HOLMA-IO1", "--active", " "), "--active ' ' is no version"),
        (("HOLMA-IO1", "--active", "N/A"), "--active is 'N/A', which is no version"),
    ):
        ran = office("observe", *words)
        assert (ran.status, because in ran.err) == (2, True), (words, ran.err)
    assert _stored(office) == before
    ran = office("observe", "HOLMA-IO1", "--active", " 6.0.1 ", "--pending", "6.1.0", "--spare", "-", "--dry-run")
    assert (ran.status, "active 6.0.1, pending 6.1.0, spare none" in ran.out) == (0, True), ran.out


def test_a_host_name_of_two_servers_names_none(office: Keeper, tmp_path: Path) -> None:
    sheet = tmp_path / "named.toml"
    text = MARRAM.read_text("utf-8").replace("2026-11-20", "2026-11-23")
    lines = []
    for line in text.splitlines():
        lines.append(line)
        if line.startswith("parent = ") and "HOLMA-B" in line:
            lines.append('name = "' + ("holm-a" if "HOLMA-B3" in line else "web-1") + '"')
    sheet.write_text("\n".join(lines), "utf-8")
    loaded = office("inventory", "load", sheet)
    assert loaded.status in (0, 1), loaded.err
    before = _stored(office)
    for name, one in (("web-1", "host HOLMA-B1"), ("holm-a", "domain holm-a (--domain holm-a)")):
        ran = office("observe", name, "--healthy", "yes")
        assert (ran.status, f"{name} is the name of" in ran.err, one in ran.err) == (2, True, True), ran.err
    assert _stored(office) == before
    assert office("observe", "--domain", "holm-a", "--healthy", "yes", "--dry-run").status == 0
