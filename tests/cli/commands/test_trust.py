"""Trust on the command line: keys made by ssh-keygen and openssl, lines that the tool prints run as they stand."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import junitparser
import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import rsa

from bundlekeeper.store.database.store_database import StoreDatabase
from tests.conftest import Keeper, World
from tests.kits.signing_world import chain, crl, pem, private_pem, program, run
from tests.kits.ssh_keys import NAME, admits, ssh_key, trusted, with_signature

# The manifest


def test_the_printed_line_verifies_with_ssh_keygen_alone(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """ "Signatures that we make can be verified with nothing but `ssh-keygen -Y verify` …; the tests run it" (5)"""
    key = ssh_key(tmp_path)
    done = keeper("manifest", "sign", world.manifest, "--key", key)
    assert done.status == 0, done.err
    lines = [line.strip() for line in done.out.splitlines() if line.startswith("  ")]
    shell = run("bash", "-ec", "\n".join(lines), cwd=tmp_path)
    assert shell.returncode == 0, shell.stderr
    assert shell.stdout.startswith(b'Good "bundlekeeper-manifest" signature for keeper')
    world.manifest.write_bytes(world.manifest.read_bytes() + b"\n")
    assert run("bash", "-ec", "\n".join(lines), cwd=tmp_path).returncode != 0


def test_a_manifest_that_ssh_keygen_signed_is_admitted_shown_and_verified(
    keeper: Keeper, world: World, tmp_path: Path
) -> None:
    """The other way round; the fingerprint is the one that `ssh-keygen -l` prints."""
    key = ssh_key(tmp_path)
    trusted(keeper, key)
    admits(tmp_path, "signed_manifests = true")
    sign = ("-Y", "sign", "-q", "-f", str(key), "-n", "bundlekeeper-manifest", str(world.manifest))
    assert run(program("ssh-keygen"), *sign).returncode == 0
    fingerprint = run(program("ssh-keygen"), "-lf", f"{key}.pub").stdout.split()[1].decode()
    done = keeper("store", "add", world.manifest, "--from", world.downloads, "--json", "-q")
    assert (done.status, done.json["manifest_signature"]["state"]) == (0, "good")
    assert done.json["manifest_signature"]["fingerprint"] == fingerprint
    for command in (("manifest", "show", world.manifest), ("verify", "-q"), ("verify", world.manifest, "-q")):
        shown = keeper(*command)
        assert shown.status == 0, shown.out
        assert f"manifest signed by chief ({fingerprint}, sshsig), good at " in shown.out
    (row,) = keeper("store", "list", "--json").json["manifests"]
    assert (row["signed_by"], row["signed_key"]) == ("chief", fingerprint)


@pytest.mark.fault(37)
@pytest.mark.attack("arbitrary installation")
def test_an_unsigned_manifest_is_refused_where_signed_ones_are_required(
    keeper: Keeper, world: World, tmp_path: Path
) -> None:
    """Exit status 4 for store add and for verify MANIFEST, in the store and in a folder; nothing is added."""
    trusted(keeper, ssh_key(tmp_path))
    admits(tmp_path, "signed_manifests = true")
    for command in (
        ("store", "add", world.manifest, "--from", world.downloads),
        ("verify", world.manifest, "--at", tmp_path),
    ):
        done = keeper(*command, "-q", "--json")
        assert (done.status, done.codes, done.json["error"]["exit"]) == (4, ["unsigned"], 4)
    assert keeper("store", "list").out.endswith("no bundle, nothing yet\n")


@pytest.mark.attack("endless data")
@pytest.mark.parametrize("kind", ["symlink", "fifo", "folder", "oversized", "empty", "of an older manifest"])
def test_what_has_the_signatures_name_stops_every_command(
    kind: str, keeper: Keeper, world: World, tmp_path: Path
) -> None:
    """No link is followed, no FIFO hangs, nothing oversized is read, and no bad signature is passed over."""
    key = ssh_key(tmp_path)
    trusted(keeper, key)
    beside = Path(f"{world.manifest}.sig")
    if kind == "symlink":
        (tmp_path / "elsewhere").write_bytes(b"x")
        beside.symlink_to("elsewhere")
    elif kind == "fifo":
        os.mkfifo(beside)
    elif kind == "folder":
        beside.mkdir()
    elif kind == "of an older manifest":
        keeper("manifest", "sign", world.manifest, "--key", key)
        world.manifest.write_bytes(world.manifest.read_bytes() + b"# a later thought\n")
    else:
        beside.write_bytes(b"x" * ((1 << 20) + 1) if kind == "oversized" else b"")
    commands: list[tuple[str | Path, ...]] = [("store", "add", world.manifest, "--from", world.downloads, "-q")]
    commands += [("verify", world.manifest, "-q"), ("manifest", "show", world.manifest)]
    for command in commands:
        done = keeper(*command)
        assert done.status == 4, (command, done.out, done.err)
    assert keeper("store", "list").out.endswith("no bundle, nothing yet\n")


def test_another_file_of_the_signature_and_a_manifest_from_stdin(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """`--signature FILE`; a manifest from stdin has no other way."""
    key = ssh_key(tmp_path)
    trusted(keeper, key)
    admits(tmp_path, "signed_manifests = true")
    keeper("manifest", "sign", world.manifest, "--key", key, "-o", tmp_path / "elsewhere.sig")
    text = world.manifest.read_text("utf-8")
    take = ("store", "add", "-", "--from", world.downloads, "-q")
    assert keeper(*take, stdin=text).status == 4
    assert keeper(*take, "--signature", tmp_path / "nothing.sig", stdin=text).status == 2
    assert keeper(*take, "--signature", tmp_path / "elsewhere.sig", stdin=text).status == 0


def test_no_store_means_not_checked_and_never_good(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """`verify MANIFEST --at DIR` on a bare machine: everything is verified but the signatures, and that is said."""
    key = ssh_key(tmp_path)
    with_signature(world, NAME, "sshsig", "marram-2026")
    keeper("manifest", "sign", world.manifest, "--key", key)
    done = keeper("verify", world.manifest, "--at", world.downloads, "--json", "-q")
    assert (done.status, done.codes) == (1, ["not-checked", "not-checked"])
    assert done.json["manifest_signature"]["state"] == "not-checked"
    assert {row["signature"] for row in done.json["rows"]} == {"", "not-checked"}
    assert not (tmp_path / "store").exists()


# Bundles


@pytest.mark.attack("key compromise")
def test_signed_bundles_from_adding_to_junit(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """A bundle signed with `manifest sign --for bundles`, added under a policy, verified, removed, reported
    everywhere."""
    key = ssh_key(tmp_path)
    trusted(keeper, key, "bundles", "marram-2026")
    admits(tmp_path, 'signed_families = ["blade"]')
    with_signature(world, NAME, "sshsig", "marram-2026")
    keeper("manifest", "sign", world.downloads / NAME, "--key", key, "--for", "bundles")
    done = keeper("store", "add", world.manifest, "--from", world.downloads, "--json", "-q")
    rows = {row["file"]: (row["status"], row["signature"]) for row in done.json["bundles"]}
    assert rows[NAME] == ("added", "good")
    assert rows["marram-blade-6.0.1.bin"] == ("refused", "unsigned")
    assert rows["marram-rack-6.1.0.bin"] == ("added", "")
    assert (done.status, set(done.codes)) == (4, {"unsigned"})

    admits(tmp_path)
    keeper("store", "add", world.manifest, "--from", world.downloads, "-q")
    checked = keeper("verify", "-q")
    assert checked.status == 0, checked.out
    assert "signatures: 1 good, 0 not good, 0 not looked at" in checked.out
    keeper("trust", "remove", "marram-2026", "--reason", "lost at skerry")
    report = tmp_path / "report.xml"
    for options in ((), ("--quick",), ("--older-than", "1h")):
        removed = keeper("verify", "-q", "--json", "--junit", report, *options)
        assert (removed.status, removed.codes) == (1, ["removed-key"])
        assert removed.json["counts"]["signatures_not_good"] == 1
        (suite,) = junitparser.JUnitXml.fromfile(str(report))
        assert (suite.failures, suite.errors) == (1, 0)


@pytest.mark.attack("key compromise")
def test_a_certificate_that_was_revoked_since(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """ "Certificates: chain to a root that the user added, … offline CRLs from files" and newer ones later (2)"""
    c = chain("rsa")
    files = {"leaf": pem(c.leaf), "root": pem(c.root), "middle": pem(c.middle)}
    lists = {"root.crl": pem(c.root_crl), "middle.crl": pem(c.middle_crl)}
    for name, data in {**files, **lists}.items():
        (tmp_path / name).write_bytes(data)
    chained = ("--root", tmp_path / "root", "--intermediate", tmp_path / "middle")
    with_lists = ("--crl", tmp_path / "root.crl", "--crl", tmp_path / "middle.crl")
    form = "rsa-pss-sha256"
    add = ("trust", "add", "marram-2026", tmp_path / "leaf", "--form", form, "--for", "bundles", *chained)
    assert keeper(*add, *with_lists).status == 0
    with_signature(world, NAME, form, "marram-2026")
    assert isinstance(c.leaf_key, rsa.RSAPrivateKey)
    (tmp_path / "leaf.key").write_bytes(private_pem(c.leaf_key))
    signed = str(world.downloads / f"{NAME}.sig")
    sign = ("-sigopt", "rsa_padding_mode:pss", "-sign", str(tmp_path / "leaf.key"), "-out", signed)
    assert run(program("openssl"), "dgst", "-sha256", *sign, str(world.downloads / NAME)).returncode == 0
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "-q").status == 0

    first = datetime(2026, 2, 1, tzinfo=UTC)
    revoked = [(c.leaf.serial_number, datetime(2026, 3, 1, tzinfo=UTC), x509.ReasonFlags.key_compromise)]
    (tmp_path / "newer.crl").write_bytes(pem(crl("Holm intermediate", c.middle_key, revoked, first=first)))
    assert keeper("trust", "crl", "marram-2026", tmp_path / "newer.crl").status == 0
    for options in ((), ("--quick",)):
        assert keeper("verify", "-q", "--json", *options).codes == ["revoked-key"]
    back = keeper("trust", "crl", "marram-2026", tmp_path / "middle.crl")
    assert back.status == 4
    assert "older" in back.err
    names = sorted(path.name for path in (tmp_path / "store/.keeper/trust").iterdir())
    assert len([name for name in names if ".crls-" in name]) == 1
    assert keeper("trust", "list").status == 0


@pytest.mark.fault(37)
@pytest.mark.attack("not on that list: downgrade of form, confusion of keys")
def test_a_form_that_the_manifest_names_is_never_chosen(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """ "A different form named in the manifest is a finding, never a choice." (2)"""
    key = ssh_key(tmp_path)
    trusted(keeper, key, "bundles", "marram-2026")
    keeper("manifest", "sign", world.downloads / NAME, "--key", key, "--for", "bundles")
    with_signature(world, NAME, "ed25519", "marram-2026")
    done = keeper("store", "add", world.manifest, "--from", world.downloads, "--json", "-q")
    assert done.codes == ["bad-signature"]
    assert next(r["status"] for r in done.json["bundles"] if r["file"] == NAME) == "quarantined"


# store.toml and old verifications


@pytest.mark.fault(44)
def test_an_old_verification_is_stale_in_the_list_and_in_quick_runs(
    keeper: Keeper, world: World, tmp_path: Path
) -> None:
    """ "how old a verification may be" (issue, point 4)"""
    keeper("store", "add", world.manifest, "--from", world.downloads, "-q")
    admits(tmp_path, 'max_verification_age = "30d"')
    assert keeper("store", "list", "--json").codes == []
    aged = datetime.now(UTC) - timedelta(days=40)
    with StoreDatabase.open(tmp_path / "store/.keeper/store.sqlite", write=True) as database:
        (old,) = (
            (place, verification)
            for place, verification in database.verifications().items()
            if place.startswith("rack/6.1.0/")
        )
        database.record_verifications({old[0]: replace(old[1], verified_at=aged)})
    assert keeper("store", "list", "--json").codes == ["stale-verification"]
    assert keeper("verify", "--quick", "--json", "-q").codes == ["stale-verification"]
    assert keeper("verify", "--json", "-q").codes == []


def test_broken_settings_are_an_input_error_with_every_problem(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """A file that cannot be read whole accepts nothing: every problem is … reported at once, with its place."""
    keeper("store", "add", world.manifest, "--from", world.downloads, "-q")
    admits(tmp_path, 'signed_families = ["blades"]', "max_verification_age = 30")
    for command in (
        ("store", "add", world.manifest, "--from", world.downloads),
        ("verify",),
        (
            "store",
            "list",
        ),
    ):
        done = keeper(*command)
        assert done.status == 2
        assert "store.toml:2:" in done.err
        assert "store.toml:3:" in done.err


@pytest.mark.fault(43)
@pytest.mark.attack("fast-forward")
def test_exceptions_are_recorded_and_shown(keeper: Keeper, world: World) -> None:
    """ "`--allow-rollback "why"` exists and is recorded" (3)"""
    keeper("store", "add", world.manifest, "--from", world.downloads, "-q")
    assert "no exceptions were allowed" in keeper("store", "list", "--accepted").out
    text = world.manifest.read_text("utf-8")
    world.manifest.write_text(re.sub(r"(?m)^sequence = \d+", "sequence = 2", text), encoding="utf-8")
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "-q").status == 4
    reason = ("--allow-rollback", "the newer one was signed by a thief")
    keeper("store", "add", world.manifest, "--from", world.downloads, "-q", *reason)
    shown = keeper("store", "list", "--accepted").out.splitlines()[-1]
    assert shown.endswith(": rollback: marram-2: the newer one was signed by a thief")
    (row,) = keeper("store", "list", "--json").json["exceptions"]
    assert (row["what"], row["reason"]) == ("rollback", reason[1])


@pytest.mark.fault(44)
@pytest.mark.fault(83)
@pytest.mark.attack("indefinite freeze")
def test_a_clock_set_back_makes_nothing_good_again(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """Freeze: dates are judged by the later of the clock and the newest admission."""
    if not shutil.which("faketime"):
        pytest.skip("there is no faketime here to set a process's clock back")
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    text = world.manifest.read_text().replace("sequence = 14", "sequence = 15\nexpires = 2026-09-01", 1)
    frozen = tmp_path / "frozen.toml"
    frozen.write_text(text)
    words = ["store", "add", str(frozen), "--from", str(world.downloads), "--quiet"]
    assert keeper(*words).status == 4
    set_back = subprocess.run(
        ["faketime", "2026-08-20 12:00:00", sys.executable, "-m", "bundlekeeper", *words],
        env={**os.environ, "BUNDLEKEEPER_STORE": str(tmp_path / "store")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert set_back.returncode == 4, set_back.stdout
    assert "expired" in set_back.stderr
    assert keeper(*words, "--allow-expired", "  ").status == 2
    assert keeper(*words, "--allow-expired", "no newer one yet").status in {0, 1}
    stored = keeper("store", "list", "--json")
    assert "expired" in stored.codes
    assert stored.json["exceptions"][0]["reason"] == "no newer one yet"
