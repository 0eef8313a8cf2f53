"""Signatures in the store: made by ssh-keygen, openssl and minisign, ruled on by `store add` and `verify`."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from bundlekeeper.errors import InputError, KeeperError, RefusedError
from bundlekeeper.findings import Level
from bundlekeeper.formats import limits
from bundlekeeper.links.http.download import DownloadRules
from bundlekeeper.links.http.mirror import mirror_source
from bundlekeeper.model.progress import Silent
from bundlekeeper.model.trust import FORMS
from bundlekeeper.store.adding.add import AddResult, add_bundles
from bundlekeeper.store.contents import place as placing
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.signatures.voucher import Ruling, Voucher
from tests.kits import offered_files as shared
from tests.kits.local_server import Connection, Handler, Request, Served, Site, serving
from tests.kits.offered_files import WANTED, offered, signer_in
from tests.kits.signing_world import run
from tests.kits.store_kit import GOOD, Kit, codes, now
from tests.kits.vouching_kit import KEY, Signer, accept, check, remove, sha256, stated, trust

kit = shared.kit

PREHASHED = tuple(form for form in FORMS if form not in ("ed25519", "cms"))


# Every form, from an outside program's signature to a verdict


@pytest.mark.parametrize("form", FORMS)
def test_what_outside_programs_sign_is_added_kept_and_verified(form: str, kit: Kit, tmp_path: Path) -> None:
    """ "And the other way round: what those two sign, we verify." (issue, point 5)"""
    signer = signer_in(tmp_path, form)
    trust(kit, signer.entry())
    accept(kit, WANTED)
    bundle = offered(kit, signer)
    result = kit.add(bundle)
    assert [(row.status, row.signature) for row in result.rows] == [("added", "good")], result.findings
    assert result.read_bytes == len(GOOD)  # "Big files are hashed once, streaming"
    assert {f.level for f in result.findings} <= {Level.NOTE}
    kept = kit.root / "blade/6.1.0/a.bin.sig"
    assert kept.read_bytes() == (kit.source / "in/a.bin.sig").read_bytes()
    assert kept.stat().st_mode & 0o777 == 0o444
    again = kit.add(bundle)
    assert [(row.status, row.signature, row.read_bytes) for row in again.rows] == [("already there", "good", 0)]

    for found in (check(kit), check(kit, kit.loaded(bundle), at=kit.source)):
        assert [(row.status, row.signature, row.signed_by) for row in found.rows] == [("ok", "good", KEY)]
        assert (found.signatures_good, found.bytes_read) == (1, len(GOOD))
    quick = check(kit, quick=True)
    assert (quick.rows[0].status, quick.bytes_read) == ("trusted", 0)
    assert quick.rows[0].signature == ("good" if form in PREHASHED else "not-checked")
    remove(kit)
    assert check(kit, quick=True).rows[0].signature == "removed-key"


@pytest.mark.parametrize("hash_", ["sha256", "sha512"])
def test_either_hash_of_an_ssh_signature_needs_one_read(hash_: str, kit: Kit, tmp_path: Path) -> None:
    """ "the same read that verifies SHA-256 serves the signature" (issue, point 1)"""
    signer = signer_in(tmp_path, hash_=hash_)
    trust(kit, signer.entry())
    result = kit.add(offered(kit, signer))
    assert (result.rows[0].signature, result.read_bytes) == ("good", len(GOOD))
    assert check(kit).bytes_read == len(GOOD)
    extra = dict(kit.verifications()["blade/6.1.0/a.bin"].extra)
    assert list(extra) == (["sha512"] if hash_ == "sha512" else [])
    (kit.root / ".keeper/store.sqlite").unlink()  # so that no digest is known
    assert check(kit).bytes_read == len(GOOD)
    assert dict(kit.verifications()["blade/6.1.0/a.bin"].extra) == extra


# Policy × what is found


@dataclass(frozen=True)
class Case:
    """One thing that can be wrong with a signature, and the code that says so."""

    code: str
    spoil: Callable[[Kit, Signer, SimpleNamespace], None]
    trusted: bool = True
    words: tuple[tuple[str, Any], ...] = ()
    accept: str = ""


def _nothing(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    pass


def _unstated(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    bundle.signature = None
    (kit.source / "in/a.bin.sig").unlink()


def _absent(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    (kit.source / "in/a.bin.sig").unlink()


def _bad(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    kit.offer("in/a.bin.sig", signer.sign(GOOD + b"!"))


def _garbage(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    kit.offer("in/a.bin.sig", b"\0\xff" * 50)


def _other_key(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    kit.offer("in/a.bin.sig", Signer(signer.form, signer.folder, which=7).sign(GOOD))


def _other_name(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    bundle.signature.key = "nobody"


def _removed(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    remove(kit)


def _other_form(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    bundle.signature.form = "minisign"


def _other_namespace(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    kit.offer("in/a.bin.sig", Signer("sshsig", signer.folder, namespace="bundlekeeper-manifest").sign(GOOD))


def _huge(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    kit.offer("in/a.bin.sig", b"x" * (limits.SIGNATURE_BYTES + 1))


def _link(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    path = kit.source / "in/a.bin.sig"
    path.rename(kit.source / "elsewhere")
    path.symlink_to(kit.source / "elsewhere")


def _fifo(kit: Kit, signer: Signer, bundle: SimpleNamespace) -> None:
    (kit.source / "in/a.bin.sig").unlink()
    os.mkfifo(kit.source / "in/a.bin.sig")


CASES = {
    "nothing stated": Case("unsigned", _unstated),
    "no file": Case("unsigned", _absent),
    "a symbolic link": Case("unsigned", _link),
    "a FIFO": Case("unsigned", _fifo),
    "bad": Case("bad-signature", _bad),
    "garbage": Case("bad-signature", _garbage),
    "too large": Case("bad-signature", _huge),
    "for another kind of document": Case("bad-signature", _other_namespace),
    "another form": Case("bad-signature", _other_form),
    "a form that is not allowed": Case("bad-signature", _nothing, accept='forms = ["cms"]'),
    "another key": Case("unknown-key", _other_key),
    "an unknown name": Case("unknown-key", _other_name),
    "an empty trust list": Case("unknown-key", _nothing, trusted=False),
    "a key for manifests": Case("unknown-key", _nothing, words=(("purposes", ("manifests",)),)),
    "removed": Case("removed-key", _removed),
    "expired": Case("expired-key", _nothing, words=(("valid_until", date(2026, 7, 31)),)),
    "not valid yet": Case("expired-key", _nothing, words=(("valid_from", date(2026, 8, 2)),)),
}


def _prepared(case: Case, kit: Kit, tmp_path: Path, wanted: bool) -> SimpleNamespace:
    signer = signer_in(tmp_path)
    if case.trusted:
        trust(kit, signer.entry(**dict(case.words)))
    accept(kit, *([WANTED] if wanted else []), *([case.accept] if case.accept else []))
    bundle = offered(kit, signer)
    case.spoil(kit, signer, bundle)
    return bundle


@pytest.mark.attack("arbitrary installation")
@pytest.mark.parametrize("wanted", [False, True], ids=["not wanted", "wanted"])
@pytest.mark.parametrize("name", CASES)
def test_adding_with_and_without_a_policy(name: str, wanted: bool, kit: Kit, tmp_path: Path) -> None:
    """ "a store can be set to accept only signed" bundles of a family; a bad signature is never accepted (issue, 4)"""
    case = CASES[name]
    bundle = _prepared(case, kit, tmp_path, wanted)
    result = kit.add(bundle)
    place = kit.root / "blade/6.1.0/a.bin"
    found = [(f.code, f.level) for f in result.findings]
    if case.code == "bad-signature" and name != "too large" and wanted is False:
        assert result.rows[0].status == "quarantined"
        assert found == [("bad-signature", Level.ERROR)]
        (kept,) = [p for p in (kit.root / "quarantine").iterdir() if not p.name.endswith(".note.txt")]
        assert kept.read_bytes() == GOOD
        assert "signature is not good" in kept.with_name(kept.name + ".note.txt").read_text()
        assert f"kept as quarantine/{kept.name}" in result.findings[0].message
        assert not place.exists()
    elif wanted or case.code == "bad-signature":
        assert result.rows[0].status in ("refused", "quarantined")
        assert found == [(case.code, Level.ERROR)]
        assert not place.exists()
        assert not kit.stored()
    elif name == "nothing stated":
        assert (result.rows[0].status, result.rows[0].signature, found) == ("added", "", [])
    else:
        assert (result.rows[0].status, result.rows[0].signature) == ("added", case.code)
        assert found == [(case.code, Level.WARNING)]
    assert not place.with_name("a.bin.sig").exists() or case.code not in ("bad-signature", "unsigned")


@pytest.mark.parametrize("wanted", [False, True], ids=["not wanted", "wanted"])
@pytest.mark.parametrize("name", CASES)
def test_verifying_a_folder_with_and_without_a_policy(name: str, wanted: bool, kit: Kit, tmp_path: Path) -> None:
    """ "`verify` reports unsigned, badly signed, signed by an unknown key, by a removed, expired or revoked key" (4)"""
    case = CASES[name]
    bundle = _prepared(case, kit, tmp_path, wanted)
    for options in ({}, {"quick": True}):
        result = check(kit, kit.loaded(bundle), at=kit.source / "in", **options)
        (row,) = [row for row in result.rows if row.family]
        found = [(f.code, f.level) for f in result.findings if f.code != "extra"]
        if name == "nothing stated" and not wanted:
            assert (row.status, row.signature, found) == (row.status, "", [])
            continue
        level = Level.ERROR if wanted or case.code == "bad-signature" else Level.WARNING
        assert (row.signature, found) == (case.code, [(case.code, level)])
        assert (result.signatures_good, result.signatures_bad, result.signatures_unseen) == (0, 1, 0)


@pytest.mark.parametrize("name", [name for name in CASES if CASES[name].code not in ("bad-signature", "unsigned")])
def test_what_is_added_with_a_doubt_is_doubted_until_the_key_is_trusted(name: str, kit: Kit, tmp_path: Path) -> None:
    """The signature is kept, so that `verify`, --quick too, says the same, and a key added later makes it good."""
    bundle = _prepared(CASES[name], kit, tmp_path, wanted=False)
    kit.add(bundle)
    assert check(kit).rows[0].signature == CASES[name].code
    assert check(kit, quick=True).rows[0].signature == CASES[name].code
    if name == "an empty trust list":
        trust(kit, signer_in(tmp_path).entry())
        assert check(kit, quick=True).rows[0].signature == "good"


def test_a_bundle_stored_before_its_family_had_to_be_signed_is_reported_and_stays(kit: Kit, tmp_path: Path) -> None:
    """A policy moves nothing that is in: `store add` and `verify` report what is wrong with it."""
    bundle = offered(kit, signer_in(tmp_path))
    kit.add(bundle)
    accept(kit, WANTED)
    result = kit.add(bundle)
    assert [(r.status, r.signature) for r in result.rows] == [("already there", "unknown-key")]
    assert [(f.code, f.level) for f in result.findings] == [("unknown-key", Level.ERROR)]
    assert (kit.root / "blade/6.1.0/a.bin").exists()


# Where signatures are found, and how they are kept


def test_a_missing_signature_is_brought_later_without_reading_the_bundle(kit: Kit, tmp_path: Path) -> None:
    """A bundle in the store already whose signature's file is gone: added by the next run, the bundle not read
    again."""
    signer = signer_in(tmp_path)
    trust(kit, signer.entry())
    bundle = offered(kit, signer)
    kit.add(bundle)
    kept = kit.root / "blade/6.1.0/a.bin.sig"
    kept.unlink()
    assert check(kit, quick=True).rows[0].signature == "unsigned"
    result = kit.add(bundle)
    assert (result.rows[0].signature, result.read_bytes) == ("good", 0)
    assert kept.exists()


def test_a_signature_that_is_stated_later_costs_one_read_where_its_digest_is_not_known(
    kit: Kit, tmp_path: Path
) -> None:
    """A digest that the verification lacks is computed once, then known."""
    signer = signer_in(tmp_path, hash_="sha512")
    trust(kit, signer.entry())
    bundle = offered(kit, signer)
    kit.add(kit.bundle("a.bin", GOOD))
    result = kit.add(bundle, manifest=2)
    assert (result.rows[0].status, result.rows[0].signature, result.read_bytes) == ("already there", "good", len(GOOD))
    assert kit.add(bundle, manifest=2).read_bytes == 0
    assert check(kit, quick=True).rows[0].signature == "good"


def test_without_the_digest_a_quick_run_reports_that_it_did_not_look(kit: Kit, tmp_path: Path) -> None:
    """What could not be looked at is `not-checked`, which is never good."""
    signer = signer_in(tmp_path, hash_="sha512")
    bundle = offered(kit, signer)
    kit.add(kit.bundle("a.bin", GOOD))
    (kit.root / "blade/6.1.0/a.bin.sig").write_bytes(signer.sign(GOOD))
    trust(kit, signer.entry())
    loaded = kit.loaded(bundle, sequence=2)
    quick = check(kit, loaded, quick=True)
    assert (quick.rows[0].signature, quick.bytes_read, quick.signatures_unseen) == ("not-checked", 0, 1)
    assert check(kit, loaded).rows[0].signature == "good"
    assert check(kit, loaded, quick=True).rows[0].signature == "good"


def test_the_signature_beside_the_bundle_counts_before_another_of_its_name(kit: Kit, tmp_path: Path) -> None:
    """Last quarter's signature under the same name lies in another folder."""
    signer = signer_in(tmp_path)
    trust(kit, signer.entry())
    bundle = offered(kit, signer)
    kit.offer("a-earlier/a.bin.sig", signer.sign(b"last quarter's"))
    assert kit.add(bundle).rows[0].signature == "good"
    assert check(kit, kit.loaded(bundle), at=kit.source).rows[0].signature == "good"
    (kit.source / "in/a.bin.sig").rename(kit.source / "a.bin.sig")
    (kit.source / "a-earlier/a.bin.sig").unlink()
    assert check(kit, kit.loaded(bundle), at=kit.source).rows[0].signature == "good"


def test_a_badly_signed_offer_does_not_hide_a_well_signed_one(kit: Kit, tmp_path: Path) -> None:
    """The same bytes in two folders, each with its signature: the good one counts, the bad one is reported."""
    signer = signer_in(tmp_path)
    trust(kit, signer.entry())
    bundle = offered(kit, signer)
    kit.offer("a-first/a.bin", GOOD)
    kit.offer("a-first/a.bin.sig", signer.sign(b"something else"))
    result = kit.add(bundle)
    assert (result.rows[0].status, result.rows[0].signature) == ("added", "good")
    assert [(f.code, f.level) for f in result.findings] == [("bad-signature", Level.WARNING)]


@pytest.mark.parametrize("wanted", [False, True], ids=["not wanted", "wanted"])
def test_three_bundles_of_one_digest_with_a_bad_signature_have_one_finding_each(
    wanted: bool, kit: Kit, tmp_path: Path
) -> None:
    """Each bundle is tried with the bytes of the others as well, and of the same bytes the same is said once."""
    signer = signer_in(tmp_path)
    trust(kit, signer.entry())
    accept(kit, *([WANTED] if wanted else []))
    bundles = []
    for number, name in enumerate(("a.bin", "b.bin", "c.bin")):
        kit.offer(name, GOOD)
        kit.offer(f"{name}.sig", signer.sign(b"something else"))
        stated = SimpleNamespace(file=f"{name}.sig", form="sshsig", key="holm")
        bundles.append(kit.bundle(name, GOOD, version=f"6.1.{number}", signature=stated))
    bundles[0].signature.key = bundles[1].signature.key = bundles[2].signature.key = offered(kit, signer).signature.key
    for name in ("in/a.bin", "in/a.bin.sig", "a-earlier/a.bin.sig"):
        (kit.source / name).unlink(missing_ok=True)
    result = kit.add(*bundles)
    assert [(f.code, f.subject) for f in result.findings if f.level is Level.ERROR] == [
        ("bad-signature", "a.bin"),
        ("bad-signature", "b.bin"),
        ("bad-signature", "c.bin"),
    ]


@pytest.mark.parametrize("wanted", [False, True], ids=["not wanted", "wanted"])
def test_a_signature_never_replaces_another(wanted: bool, kit: Kit, tmp_path: Path) -> None:
    """Other bytes under the signature's name stay, and are reported."""
    signer = signer_in(tmp_path)
    trust(kit, signer.entry())
    accept(kit, *([WANTED] if wanted else []))
    bundle = offered(kit, signer)
    kit.add(kit.bundle("b.bin", b"b", signature=None, family="rack", version="6.1.0"))
    place = kit.root / "blade/6.1.0/a.bin.sig"
    place.parent.mkdir(parents=True)
    place.write_bytes(b"another")
    result = kit.add(bundle, manifest=2)
    assert result.rows[0].status == ("refused" if wanted else "added")
    assert [f.code for f in result.findings] == ["not-in-store"]
    assert place.read_bytes() == b"another"


@pytest.mark.attack("arbitrary installation")
def test_the_same_bytes_under_a_second_name_have_a_signature_of_their_own(kit: Kit, tmp_path: Path) -> None:
    """Bytes that are in the store already are no way around the policy."""
    signer = signer_in(tmp_path, hash_="sha512")
    trust(kit, signer.entry())
    kit.offer("in/a.bin", GOOD)
    kit.offer("in/b.bin.sig", signer.sign(GOOD))
    kit.add(kit.bundle("a.bin", GOOD))
    accept(kit, WANTED)
    second = kit.bundle("b.bin", GOOD, version="6.2.0", signature=stated("sshsig", "b.bin.sig"))
    third = kit.bundle("c.bin", GOOD, version="6.3.0", signature=stated("sshsig", "c.bin.sig"))
    result = kit.add(second, third, manifest=2)
    assert [(r.status, r.signature) for r in result.rows] == [("same bytes", "good"), ("refused", "unsigned")]
    assert sorted(p.name for p in (kit.root / "blade").rglob("*.bin*")) == ["a.bin", "b.bin", "b.bin.sig"]


@pytest.mark.parametrize(
    "file", ["../a.sig", "/etc/a.sig", "a/b.sig", ".", "..", "", "a\0.sig", "con", "A.BIN", "a.bin"]
)
def test_hostile_names_of_signatures_are_refused(file: str, kit: Kit) -> None:
    """Names that become paths are validated in one place, on writing and on listing."""
    kit.offer("a.bin", GOOD)
    with pytest.raises(InputError):
        kit.add(kit.bundle("a.bin", GOOD, signature=stated("sshsig", file)))
    assert not list((kit.root / "blade").rglob("*")) if (kit.root / "blade").exists() else True


def test_killed_between_signature_and_bundle_the_next_run_completes(
    kit: Kit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The signature is put before its bundle; a kill in between leaves it alone there, which harms nothing."""
    signer = signer_in(tmp_path)
    trust(kit, signer.entry())
    accept(kit, WANTED)
    bundle = offered(kit, signer)
    child = os.fork()
    if not child:
        monkeypatch.setattr(placing, "put_together", lambda *_, **__: os.kill(os.getpid(), signal.SIGKILL))
        kit.add(bundle)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    assert sorted(kit.tree()) == ["blade/6.1.0/a.bin.sig", "manifests/marram-1.toml", "store.toml"]
    assert [f.code for f in check(kit, kit.loaded(bundle)).findings] == ["missing"]
    result = kit.add(bundle)
    assert [(r.status, r.signature) for r in result.rows] == [("added", "good")]
    assert result.findings == ()


def test_a_dry_run_refuses_what_needs_no_bytes(kit: Kit, tmp_path: Path) -> None:
    """What is refused whatever is in the bundle is refused in the dry run, which writes nothing."""
    bundle = _prepared(CASES["no file"], kit, tmp_path, wanted=True)
    before = kit.tree()
    result = kit.add(bundle, dry_run=True)
    assert (result.rows[0].status, codes(result)) == ("refused", ["unsigned"])
    assert kit.tree() == before


# The trust list and store.toml under doubt


def test_a_broken_entry_trusts_nobody_and_is_reported(kit: Kit, tmp_path: Path) -> None:
    """What cannot be read is reported for each entry and trusts nobody."""
    signer = signer_in(tmp_path)
    trust(kit, signer.entry())
    (kit.root / f".keeper/trust/{KEY}.toml").write_text("trust = 1\n")
    accept(kit, WANTED)
    result = kit.add(offered(kit, signer))
    assert result.rows[0].status == "refused"
    assert [(f.code, f.subject) for f in result.findings] == [("not-checked", "a.bin"), ("not-checked", f"{KEY}.toml")]


@pytest.mark.parametrize("text", ["store = 1\nsigned_familys = []\n", "store = 2\n", "{", "\0"])
def test_broken_settings_admit_nothing(text: str, kit: Kit) -> None:
    """A file that cannot be read whole accepts nothing."""
    kit.offer("a.bin", GOOD)
    kit.root.mkdir()
    (kit.root / "store.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        kit.add(kit.bundle("a.bin", GOOD))
    assert caught.value.exit_code == 2
    (kit.root / "store.toml").unlink()
    (kit.root / "store.toml").symlink_to("elsewhere")
    with pytest.raises(RefusedError):
        kit.add(kit.bundle("a.bin", GOOD))


def test_nothing_signed_and_no_policy_imports_no_cryptography(kit: Kit) -> None:
    """Asking *where* must not pay for pydantic, httpx or cryptography."""
    import sys

    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    script = (
        "import sys\nfrom pathlib import Path\nfrom tests.kits.store_kit import GOOD, Kit\n"
        f"kit = Kit(Path({str(kit.source.parent)!r}))\nkit.add(kit.bundle('a.bin', GOOD))\n"
        "from tests.kits import checking\nfrom bundlekeeper.store.verifying.verify import check_store\n"
        "print([m for m in ('cryptography', 'pydantic') if m in sys.modules])\n"
    )
    done = run(sys.executable, "-c", script, cwd=Path(__file__).parents[3])
    assert (done.stdout.strip(), done.returncode) == (b"[]", 0), done.stderr


# The manifest's own signature


def signed(kit: Kit, tmp_path: Path, *bundles: SimpleNamespace, **fields: Any) -> tuple[Any, bytes]:
    """A manifest and its signature for manifests."""
    loaded = kit.loaded(*bundles, **fields)
    return loaded, signer_in(tmp_path, namespace="bundlekeeper-manifest").sign(loaded.data)


def trust_manifests(kit: Kit, tmp_path: Path, **words: Any) -> None:
    """Trust the signer of `signed`."""
    trust(kit, signer_in(tmp_path).entry("chief", ("manifests",), **words))


def test_a_signed_manifest_is_admitted_kept_and_its_signer_recorded(kit: Kit, tmp_path: Path) -> None:
    """ "an admitted manifest is kept whole" with its signature (issue, point 3)"""
    trust_manifests(kit, tmp_path)
    accept(kit, "signed_manifests = true")
    loaded, signature = signed(kit, tmp_path)
    result = kit.add_loaded(loaded, signature=signature)
    assert (result.manifest.word, result.manifest.signed_by, result.findings) == ("good", "chief", ())
    assert kit.tree()["manifests/marram-1.toml.sig"] == signature
    assert (kit.root / "manifests/marram-1.toml.sig").stat().st_mode & 0o777 == 0o444
    (row,) = kit.admitted()
    assert (row.signed_by, row.signed_key) == ("chief", result.manifest.signed_key)
    remove(kit, "chief")
    with pytest.raises(RefusedError) as caught:
        kit.add_loaded(loaded, signature=signature)
    assert [f.code for f in caught.value.problems] == ["removed-key"]
    assert kit.admitted()[0].signed_by == "chief"  # who vouched for it on the day it was admitted


@pytest.mark.fault(37)
@pytest.mark.attack("arbitrary installation")
@pytest.mark.attack("key compromise")
@pytest.mark.parametrize("wanted", [False, True], ids=["not wanted", "wanted"])
@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("none", "unsigned"),
        ("bad", "bad-signature"),
        ("namespace", "bad-signature"),
        ("garbage", "bad-signature"),
        ("stranger", "unknown-key"),
        ("purpose", "unknown-key"),
        ("removed", "removed-key"),
        ("expired", "expired-key"),
        ("expired since", "expired-key"),
    ],
)
def test_adding_a_manifest_with_and_without_a_policy(
    name: str, code: str, wanted: bool, kit: Kit, tmp_path: Path
) -> None:
    """Bad is refused always, anything else that is not good where signed manifests are wanted; else it is a warning."""
    accept(kit, f"signed_manifests = {str(wanted).lower()}")
    words: dict[str, Any] = {}
    if name == "expired":
        words["valid_until"] = date(2026, 8, 13)
    if name == "expired since":  # a document's own date is no way round an expired key
        words["valid_until"] = date(2026, 8, 20)
    if name == "purpose":
        trust(kit, signer_in(tmp_path).entry("chief", ("bundles", "indexes")))
    elif name != "stranger":
        trust_manifests(kit, tmp_path, **words)
    if name == "removed":
        remove(kit, "chief")
    loaded, good = signed(kit, tmp_path)
    signatures = {
        "none": None,
        "bad": good.replace(good[60:64], b"AAAA", 1),
        "namespace": signer_in(tmp_path).sign(loaded.data),
        "garbage": b"hello",
    }
    signature = signatures.get(name, good)
    if wanted or code == "bad-signature":
        with pytest.raises(RefusedError) as caught:
            kit.add_loaded(loaded, signature=signature)
        assert caught.value.exit_code == 4
        assert code in [f.code for f in caught.value.problems]
        assert not (kit.root / ".keeper/store.sqlite").exists()  # "A refused manifest leaves no trace."
        assert not [name for name in kit.tree() if name.startswith("manifests/")]
        return
    result = kit.add_loaded(loaded, signature=signature)
    expected = [] if signature is None else [(code, Level.WARNING)]
    assert list(dict.fromkeys((f.code, f.level) for f in result.findings)) == expected
    assert kit.admitted()[0].signed_by == ""


@pytest.mark.fault(36)
@pytest.mark.fault(46)
@pytest.mark.attack("arbitrary installation")
def test_no_flipped_byte_of_a_signed_manifest_or_its_signature_is_ever_admitted(kit: Kit, tmp_path: Path) -> None:
    """ "Bad input … never in 'good'": every byte of both, through the store's own function."""
    trust_manifests(kit, tmp_path)
    accept(kit, "signed_manifests = true")
    loaded, signature = signed(kit, tmp_path)

    def added(data: bytes, signature: bytes) -> AddResult:
        other = SimpleNamespace(manifest=loaded.manifest, problems=(), data=data, sha256=sha256(data))
        return kit.add_loaded(other, signature=signature, dry_run=True)

    assert added(loaded.data, signature).manifest.good
    for at in range(len(loaded.data)):
        with pytest.raises(KeeperError):
            added(flipped(loaded.data, at), signature)
    for at in range(len(signature)):
        with pytest.raises(KeeperError):
            added(loaded.data, flipped(signature, at))


def flipped(data: bytes, at: int) -> bytes:
    """The data with one bit turned."""
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


@pytest.mark.parametrize("wanted", [False, True], ids=["not wanted", "wanted"])
def test_a_kept_manifest_that_is_gone_is_not_checked_and_stops_no_run(wanted: bool, kit: Kit, tmp_path: Path) -> None:
    """ "the reading commands work": what cannot be looked at is reported and is never good."""
    trust_manifests(kit, tmp_path)
    loaded, signature = signed(kit, tmp_path)
    kit.add_loaded(loaded, signature=signature)
    accept(kit, f"signed_manifests = {str(wanted).lower()}")
    (admitted,) = kit.admitted()

    def ruled() -> Ruling:
        with Store.open(kit.root, write=False) as store:
            return Voucher.of(store, now()).rule_kept(store.fd, admitted)

    assert ruled().good
    (kit.root / "manifests/marram-1.toml").chmod(0o644)
    (kit.root / "manifests/marram-1.toml").write_bytes(loaded.data + b" ")
    assert ruled().word == "not-checked"  # these bytes are not the accepted ones, whoever signed them
    (kit.root / "manifests/marram-1.toml").unlink()
    assert ruled().word == "not-checked"
    (kit.root / "manifests/marram-1.toml.sig").unlink()
    assert ruled().word == ("not-checked" if wanted else "not stated")


@pytest.mark.fault(45)
@pytest.mark.attack("fast-forward")
def test_after_a_fast_forward_a_new_key_and_a_rollback_lead_back(kit: Kit, tmp_path: Path) -> None:
    """Fast-forward: remove the key, trust a new one, admit the next manifest as a rollback with a reason, recorded."""
    trust_manifests(kit, tmp_path)
    accept(kit, "signed_manifests = true")
    far, its_signature = signed(kit, tmp_path, sequence=10**9)
    kit.add_loaded(far, signature=its_signature)
    remove(kit, "chief", "stolen: it signed sequence 1000000000")
    fresh = signer_in(tmp_path, which=8, namespace="bundlekeeper-manifest")
    trust(kit, fresh.entry("chief-2", ("manifests",)))
    loaded = kit.loaded(sequence=2)
    with pytest.raises(RefusedError, match="older"):
        kit.add_loaded(loaded, signature=fresh.sign(loaded.data))
    kit.add_loaded(loaded, signature=fresh.sign(loaded.data), allow_rollback="the key was stolen")
    assert [(what, reason) for _, what, _, reason in kit.exceptions()] == [("rollback", "the key was stolen")]
    assert [row.signed_by for row in kit.admitted()] == ["chief", "chief-2"]


# A mirror


@pytest.mark.parametrize("hash_", ["sha256", "sha512"])
@pytest.mark.parametrize("base", ["", "/blade/6.1.0"])
def test_a_mirrors_signature_is_found_flat_or_deep(base: str, hash_: str, kit: Kit, tmp_path: Path) -> None:
    """`BASE/file.sig`, or beside the bundle in a mirror laid out like a store; the bundle is read once."""
    signer = signer_in(tmp_path, hash_=hash_)
    trust(kit, signer.entry())
    accept(kit, WANTED)
    site = Site({f"{base}/a.bin": Served(GOOD), f"{base}/a.bin.sig": Served(signer.sign(GOOD))})
    result = added_from(site, kit)
    assert [(r.status, r.signature, r.read_bytes) for r in result.rows] == [("added", "good", len(GOOD))]
    assert check(kit, quick=True).rows[0].signature == "good"


def added_from(handler: Handler, kit: Kit) -> AddResult:
    """Adding one signed bundle from a mirror."""
    bundle = kit.bundle("a.bin", GOOD, signature=stated("sshsig"))
    with serving(handler) as server, Store.open(kit.root, write=True) as store:
        folders = {bundle.sha256: "blade/6.1.0"}
        source = mirror_source(server.url, folders=folders, rules=DownloadRules(tries=1, backoff_s=0.0))
        return add_bundles(store, kit.loaded(bundle), [source], clock=now, progress=Silent())


@pytest.mark.attack("endless data")
@pytest.mark.attack("malicious mirrors")
@pytest.mark.parametrize("kind", ["missing", "endless", "refused", "a page"])
def test_a_mirrors_bad_answers_for_a_signature_are_different_findings(kind: str, kit: Kit, tmp_path: Path) -> None:
    """Absent, endless, forbidden, and a page that says so politely with 200: none is good, none harms the rest."""
    trust(kit, signer_in(tmp_path).entry())
    site = Site({"/a.bin": Served(GOOD)})

    def handler(request: Request, connection: Connection) -> None:
        if not request.path.endswith(".sig") or kind == "missing":
            site(request, connection)
        elif kind == "refused":
            connection.answer(403)
        elif kind == "a page":
            page = b"<html>no such file</html>"
            connection.answer(200, {"Content-Length": str(len(page))})
            connection.body(page)
        else:
            connection.answer(200, {})
            while not connection.gone:
                connection.body(b"x" * 65536)

    result = added_from(handler, kit)
    expected = {"missing": "unsigned", "endless": "bad-signature", "refused": "not-checked", "a page": "bad-signature"}
    assert codes(result) == [expected[kind]]
    assert result.rows[0].status == ("quarantined" if expected[kind] == "bad-signature" else "added")
