"""One key is one key: in a certificate or bare, in OpenSSH's line or PEM, under one name or two, signer or root."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from cryptography.x509.oid import ExtendedKeyUsageOID

from bundlekeeper.errors import RefusedError
from bundlekeeper.model.trust import TrustEntry, TrustMoment
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.signatures import trust_list
from bundlekeeper.verification.keys.entries import Sources, make_entry, remove
from bundlekeeper.verification.signatures.judge import SignatureEvidence, Verdict, judge, judge_document
from tests.conftest import Keeper
from tests.kits.minisign_files import public_file
from tests.kits.signing_world import (
    AT,
    END,
    WHEN,
    certificate,
    chain,
    digests,
    entry,
    pem,
    private,
    sign_raw,
    spki_pem,
    ssh_line,
)
from tests.kits.ssh_keys import ssh_key
from tests.kits.store_kit import Kit
from tests.kits.vouching_kit import Signer, trust

C = chain()
FORM = "ecdsa-p256-sha256"
RENEWED = certificate(
    "Marram publisher",
    C.leaf_key,
    issuer="Holm intermediate",
    by=C.middle_key,
    usages=[ExtendedKeyUsageOID.CODE_SIGNING],
    last=END + timedelta(days=365),
)
OTHER_ROOT = certificate("Skerry root", private("ecdsa-p384", 9), authority=True)
MESSAGE = b"a bundle"


def made(
    name: str,
    sources: Sources,
    form: str = FORM,
    existing: tuple[TrustEntry, ...] = (),
    purposes: tuple[str, ...] = ("bundles",),
) -> TrustEntry:
    """An entry of these sources."""
    return make_entry(name, sources, form=form, purposes=purposes, existing=existing)


def sources() -> dict[str, tuple[Sources, str]]:
    """Every way to give the publisher's one key, and the form."""
    return {
        "a certificate": (Sources(pem(C.leaf)), FORM),
        "with its root": (Sources(pem(C.leaf), [pem(C.root)], [pem(C.middle)]), FORM),
        "with another root": (Sources(pem(C.leaf), [pem(OTHER_ROOT)]), FORM),
        "a certificate for cms": (Sources(pem(C.leaf), [pem(C.root)]), "cms"),
        "the bare key": (Sources(spki_pem(C.leaf_key)), FORM),
        "OpenSSH's line": (Sources(ssh_line(C.leaf_key)), "sshsig"),
    }


@pytest.mark.fault(92)
@pytest.mark.attack("key compromise")
@pytest.mark.parametrize("second", sources())
@pytest.mark.parametrize("first", sources())
def test_a_key_has_one_entry_however_it_is_given(first: str, second: str) -> None:
    old = made("first", *sources()[first])
    with pytest.raises(RefusedError, match="this key is trusted as first already") as caught:
        made("second", *sources()[second], (old,))
    assert "remove" not in caught.value.hint  # that would be the key's end
    with pytest.raises(RefusedError, match="removed as first on 2026-08-01: lost"):
        made("second", *sources()[second], (remove(old, at=AT, reason="lost"),))


def test_a_key_of_minisign_and_of_openssh_is_one() -> None:
    mini = make_entry("mini", Sources(public_file()), form="minisign", purposes=["bundles"])
    for form in ("ed25519", "sshsig"):
        with pytest.raises(RefusedError, match="trusted as mini already"):
            made("second", Sources(mini.key), form, (mini,))


def test_a_renewed_certificate_is_beside_the_old_one_for_the_same_use_only() -> None:
    """A raw signature does not say what it is for, so the same key for bundles and for manifests would mix them."""
    old = made("2026", *sources()["with its root"])
    renewed = Sources(pem(RENEWED), [pem(C.root)], [pem(C.middle)])
    new = made("2027", renewed, existing=(old,))
    assert new.fingerprint == old.fingerprint
    for form, purpose in ((FORM, "manifests"), ("cms", "bundles")):
        with pytest.raises(RefusedError, match="trusted as 2026 already"):
            made("2027", renewed, form, (old,), (purpose,))
    with pytest.raises(RefusedError, match="trusted as 2027 already"):
        made("third", renewed, existing=(new,))


def test_a_root_of_which_the_key_was_removed_is_no_root() -> None:
    root = made("root", Sources(pem(C.root)), "cms")
    gone = remove(root, at=AT, reason="its holder lost it")
    with pytest.raises(RefusedError, match="removed as root on 2026-08-01: its holder lost it"):
        made("second", *sources()["with its root"], (gone,))
    made("second", *sources()["with its root"], (root,))  # a root may stand in two entries while it is trusted
    signer = remove(made("signer", *sources()["the bare key"]), at=AT, reason="lost")
    made("third", Sources(pem(C.root)), "cms", (signer,))  # another key's end is not this one's


# What was removed under one name is removed under every name


def judged(trusted: TrustEntry, others: tuple[TrustEntry, ...], signature: bytes, at: TrustMoment = WHEN) -> Verdict:
    """The verdict on a bundle's signature stated under `trusted`."""
    stated = SimpleNamespace(file="a.bin.sig", form=trusted.form, key=trusted.name)
    evidence = SignatureEvidence(digests(MESSAGE), lambda _limit: MESSAGE, lambda: [MESSAGE])
    return judge("a.bin", stated, signature, trust=(trusted, *others), evidence=evidence, moments=[at])


def test_a_signature_by_a_key_that_was_removed_under_another_name() -> None:
    """However the two came to be there, such as by copying files: the key is removed."""
    old = made("2026", *sources()["a certificate"])
    new = made("2027", Sources(pem(RENEWED)), existing=(old,))
    signature = sign_raw(FORM, C.leaf_key, MESSAGE)
    assert judged(new, (old,), signature).good
    found = judged(new, (remove(old, at=AT, reason="lost"),), signature).findings
    assert [(f.code, "2026 was removed on 2026-08-01: lost" in f.message) for f in found] == [("removed-key", True)]
    (own,) = judged(remove(new, at=AT, reason="gone"), (remove(old, at=AT, reason="lost"),), signature).findings
    assert "gone" in own.message


def test_a_chain_from_a_signer_or_through_an_authority_that_was_removed(tmp_path: Path) -> None:
    signature = Signer("cms", tmp_path).sign(MESSAGE)
    trusted = made("root", Sources(pem(C.root), [], [pem(C.middle)]), "cms")
    pinned = made("pinned", *sources()["with its root"])
    raw = sign_raw(FORM, C.leaf_key, MESSAGE)
    signer = made("signer", *sources()["the bare key"])
    middle = made("middle", Sources(pem(C.middle)), "cms")
    assert judged(trusted, (), signature).good
    assert judged(pinned, (trusted, middle), raw).good
    cases = [
        (trusted, signer, signature),
        (trusted, middle, signature),
        (pinned, trusted, raw),
        (pinned, middle, raw),
    ]
    for entry_, other, made_by in cases:
        gone = remove(other, at=AT, reason="lost at skerry")
        found = judged(entry_, (gone,), made_by).findings
        assert [f.code for f in found] == ["removed-key"], (entry_.name, other.name, found)
        assert f"{other.name} was removed on 2026-08-01: lost at skerry" in found[0].message


def test_a_signer_that_was_removed_is_reported_so_whatever_its_dates(tmp_path: Path) -> None:
    """That it is expired by then as well hides nothing."""
    trusted = made("root", Sources(pem(C.root), [], [pem(C.middle)]), "cms")
    signer = remove(made("signer", *sources()["the bare key"]), at=AT, reason="lost")
    signature = Signer("cms", tmp_path).sign(MESSAGE)
    later = TrustMoment(END + timedelta(days=9), "now")
    assert [f.code for f in judged(trusted, (signer,), signature, later).findings] == ["removed-key"]


def test_a_document_signed_by_a_key_that_was_removed_under_another_name() -> None:
    from bundlekeeper.verification.signatures.sign import sign_document

    live = entry(name="new", purposes=("manifests",))
    gone = remove(entry(name="old", purposes=("receipts",)), at=AT, reason="lost")
    signature = sign_document(private("ed25519"), "manifests", digests(MESSAGE))
    words = {"evidence": SignatureEvidence(digests(MESSAGE)), "moments": [WHEN], "purpose": "manifests"}
    assert judge_document("mine.toml", signature, trust=[live], **words).good  # type: ignore[arg-type]
    found = judge_document("mine.toml", signature, trust=[live, gone], **words).findings  # type: ignore[arg-type]
    assert [f.code for f in found] == ["removed-key"]


# On the command line


@pytest.fixture
def renewal(keeper: Keeper, tmp_path: Path) -> str:
    """Two entries of one key by two certificates, and one of another key; the fingerprint of the first two."""
    for name, data in {"2026": pem(C.leaf), "2027": pem(RENEWED), "root": pem(C.root), "middle": pem(C.middle)}.items():
        (tmp_path / name).write_bytes(data)
    chained = ("--root", tmp_path / "root", "--intermediate", tmp_path / "middle")
    for name in ("2026", "2027"):
        added = keeper("trust", "add", name, tmp_path / name, "--form", FORM, "--for", "bundles", *chained, "--json")
        assert added.status == 0, added.err
    other = ssh_key(tmp_path)
    assert keeper("trust", "add", "chief", f"{other}.pub", "--form", "sshsig", "--for", "manifests").status == 0
    return str(added.json["entry"]["fingerprint"])


def states(keeper: Keeper) -> dict[str, str]:
    """How each entry stands."""
    rows = keeper("trust", "list", "--json").json["entries"]
    return {row["name"]: row["state"].partition(" ")[0] for row in rows}


@pytest.mark.fault(92)
@pytest.mark.attack("key compromise")
@pytest.mark.parametrize("by", ["2026", "2027", "the fingerprint"])
def test_removing_names_and_removes_what_is_the_same_key(by: str, renewal: str, keeper: Keeper) -> None:
    done = keeper("trust", "remove", renewal if by == "the fingerprint" else by, "--reason", "lost on a train")
    assert done.status == 0, done.err
    lines = [line for line in done.out.splitlines() if line.startswith("removed: ")]
    assert sorted(line.split()[1] for line in lines) == ["2026", "2027"]
    assert all(renewal in line and "lost on a train" in line for line in lines)
    assert states(keeper) == {"2026": "removed", "2027": "removed", "chief": "trusted"}
    again = keeper("trust", "remove", renewal, "--reason", "again")
    assert (again.status, "removed on" in again.err) == (2, True)


def test_removing_in_json_lists_every_entry(renewal: str, keeper: Keeper) -> None:
    done = keeper("trust", "remove", "2027", "--reason", "lost", "--json")
    assert [row["name"] for row in done.json["entries"]] == ["2027", "2026"]


def test_removing_goes_on_where_it_was_killed_between_two_entries(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = made("2026", *sources()["a certificate"])
    kit = Kit(tmp_path)
    trust(kit, old, made("2027", Sources(pem(RENEWED)), existing=(old,)))
    real = trust_list.replace

    def once(root_fd: int, changed: TrustEntry) -> None:
        if changed.name == "2027":
            raise KeyboardInterrupt
        real(root_fd, changed)

    monkeypatch.setattr(trust_list, "replace", once)
    with Store.open(kit.root, write=True) as store:
        with pytest.raises(KeyboardInterrupt):
            trust_list.remove(store.fd, "2026", at=AT, reason="lost")
        assert [each.removed for each in trust_list.read_all(store.fd).entries] == [True, False]
        monkeypatch.setattr(trust_list, "replace", real)
        assert [each.name for each in trust_list.remove(store.fd, "2026", at=AT, reason="lost")] == ["2027"]
        assert all(each.removed for each in trust_list.read_all(store.fd).entries)


@pytest.mark.parametrize("text", ["SHA256:", "SHA256:AAAA", "chef"])
def test_what_no_entry_has_is_an_error_and_removes_nothing(text: str, renewal: str, keeper: Keeper) -> None:
    done = keeper("trust", "remove", text, "--reason", "lost")
    assert (done.status, text in done.err) == (2, True)
    assert set(states(keeper).values()) == {"trusted"}


def test_removing_a_root_reports_whose_chains_ended_there(keeper: Keeper, renewal: str, tmp_path: Path) -> None:
    assert keeper("trust", "add", "root", tmp_path / "root", "--form", "cms", "--for", "bundles").status == 0
    done = keeper("trust", "remove", "root", "--reason", "lost")
    assert done.status == 0
    assert "2026, 2027" in done.err
    assert states(keeper) == {"2026": "trusted", "2027": "trusted", "chief": "trusted", "root": "removed"}


def test_a_reason_is_required_before_anything_is_removed(renewal: str, keeper: Keeper) -> None:
    assert keeper("trust", "remove", "2026", "--reason", " ").status == 2
    assert states(keeper)["2026"] == "trusted"
