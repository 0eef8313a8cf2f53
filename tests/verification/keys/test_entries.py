"""Trust entries: what may be added, what is refused and why, removing, and the form on disk read back under doubt."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa

from bundlekeeper.errors import InputError, KeeperError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.model.trust import FORMS, NAMESPACES, PURPOSES, TrustEntry
from bundlekeeper.verification.keys.entries import Sources, anchors_of, key_of, make_entry, remove, with_crls
from bundlekeeper.verification.keys.entry_files import FORMAT, file_names, from_files, is_crls_name, to_files
from bundlekeeper.verification.keys.public_key import FORM_TYPES
from tests.kits.minisign_files import public_file
from tests.kits.signing_world import (
    AT,
    TYPES,
    certificate,
    chain,
    der,
    entry,
    pem,
    private,
    program,
    public,
    run,
    spki_pem,
    ssh_line,
)
from tests.kits.sure import some
from tests.kits.trust_entries import ADDED, full_chain, make


def every_kind() -> list[TrustEntry]:
    c = chain()
    return [
        entry(purposes=PURPOSES),
        entry("rsa", "rsa-pss-sha256"),
        entry("ecdsa-p256", namespace="file"),
        make(Sources(public_file()), "minisign"),
        make(Sources(pem(c.leaf)), "ecdsa-p256-sha256"),
        make(Sources(pem(c.root)), "cms"),
        full_chain(),
        remove(full_chain("ecdsa-p256-sha256"), at=AT, reason='it was "lost" \\ on a stick\n\x7f\u2028'),
        replace(entry(), valid_from=date(2026, 1, 1), valid_until=date(2026, 12, 31), added_at=ADDED),
    ]


@pytest.mark.fault(38)
@pytest.mark.attack("not on that list: downgrade of form, confusion of keys")
@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("key_type", TYPES)
def test_form_and_type_are_tied_when_the_key_is_added(form: str, key_type: str) -> None:
    """The table of all forms × all types of key (fault 38)."""
    c = chain()
    leaf = certificate("Marram publisher", private(key_type), issuer="Holm intermediate", by=c.middle_key)
    source = {"cms": pem(leaf), "minisign": public_file()}.get(form, spki_pem(private(key_type)))
    if form == "minisign":
        assert make(Sources(source), form).key_type == "ed25519"
        with pytest.raises(KeeperError):
            make(Sources(spki_pem(private(key_type))), form)
    elif key_type in FORM_TYPES[form]:
        found = make(Sources(source), form)
        assert (found.key_type, found.form) == (key_type, form)
        assert key_of(found).der == public(key_type).der
    else:
        with pytest.raises(RefusedError, match=f"a key of type {key_type} cannot make {form} signatures"):
            make(Sources(source), form)


def test_every_reason_is_reported_at_once() -> None:
    weak = rsa.RSAPublicNumbers(65537, (1 << 1023) + 1).public_key()
    from cryptography.hazmat.primitives import serialization

    data = weak.public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    with pytest.raises(RefusedError) as caught:
        make_entry(
            "no good/name",
            Sources(data),
            form="rsa-pss-sha256",
            purposes=("bundles", "receipts", "manifest"),
            valid_from=date(2026, 2, 1),
            valid_until=date(2026, 1, 1),
        )
    for word in ("cannot be an entry's name", "1024 bits", "one purpose only", "no purpose 'manifest'", "until before"):
        assert word in caught.value.message
    assert "did you mean manifests?" in caught.value.hint
    with pytest.raises(InputError, match="no signature form 'ssh-sig'") as unknown:
        make(Sources(spki_pem(private("rsa"))), "ssh-sig")
    assert "did you mean sshsig?" in unknown.value.hint
    with pytest.raises(InputError, match="needs a purpose"):
        make(Sources(spki_pem(private("ed25519"))), "sshsig", purposes=())


@pytest.mark.attack("mix-and-match")
def test_a_key_without_a_namespace_serves_one_purpose() -> None:
    """Fault 42: "valid signature made for another kind of document: kind is part of what is signed"."""
    entry("ed25519", "sshsig", purposes=PURPOSES)
    for form in some({*FORMS} - {"sshsig", "minisign", "cms"}):
        with pytest.raises(RefusedError, match="one purpose only"):
            entry(FORM_TYPES[form][0], form, purposes=("manifests", "receipts"))
        entry(FORM_TYPES[form][0], form, purposes=("manifests",))


def test_a_namespace_of_its_own_is_for_bundles_and_never_one_of_ours() -> None:
    assert entry(namespace="file").namespace_for("bundles") == "file"
    assert entry().namespace_for("bundles") == "bundlekeeper-bundle"
    for purpose, namespace in NAMESPACES.items():
        if purpose != "bundles":
            assert entry(purposes=PURPOSES).namespace_for(purpose) == namespace
            with pytest.raises(RefusedError, match="another kind of document"):
                entry(namespace=namespace)
    with pytest.raises(RefusedError, match="for --form sshsig --for bundles only"):
        entry(namespace="file", purposes=("bundles", "manifests"))
    with pytest.raises(RefusedError, match="for --form sshsig --for bundles only"):
        entry("rsa", "rsa-pss-sha256", namespace="file")
    for namespace in ("two words", "x" * 65, "\x1b[0m", "é"):
        with pytest.raises(InputError, match="visible ASCII"):
            entry(namespace=namespace)


@pytest.mark.parametrize(
    "name", ["", "a/b", "../x", "a.b", ".x", "-x", "x" * 65, "con", "NUL", "com1", "a b", "é", "a\n", "a\x00"]
)
def test_a_name_that_would_not_do_as_a_file_is_refused(name: str) -> None:
    with pytest.raises(InputError, match="cannot be an entry's name"):
        entry(name=name)


def test_a_name_is_used_once_even_after_it_was_removed() -> None:
    old = entry(name="Marram")
    with pytest.raises(InputError, match="name Marram is in use"):
        entry("rsa", name="marram", existing=[old])
    with pytest.raises(InputError, match="removed on 2026-08-01"):
        entry("rsa", name="marram", existing=[remove(old, at=AT, reason="lost")])


@pytest.mark.fault(41)
@pytest.mark.attack("fast-forward")
def test_a_key_is_there_once_and_a_removed_key_does_not_come_back() -> None:
    """Fault 41: "one key signs twice: distinct keys counted"."""
    old = entry(name="first")
    with pytest.raises(RefusedError, match="trusted as first already"):
        entry(name="second", existing=[old])
    with pytest.raises(RefusedError, match=r"removed as first on 2026-08-01: lost"):
        entry(name="second", form="ed25519", existing=[remove(old, at=AT, reason="lost")])


def test_a_renewed_certificate_may_be_beside_the_old_one() -> None:
    c = chain()
    old = make(Sources(pem(c.leaf)), "ecdsa-p256-sha256")
    new = certificate("Marram publisher", c.leaf_key)
    renewed = make_entry(
        "marram-2027", Sources(pem(new)), form="ecdsa-p256-sha256", purposes=["bundles"], existing=[old]
    )
    assert renewed.fingerprint == old.fingerprint


def test_certificates_and_roots_go_together() -> None:
    c = chain()
    root_only = make(Sources(pem(c.root)), "cms")
    assert (root_only.key, root_only.certificate, root_only.roots) == (b"", b"", (der(c.root),))
    pinned = make(Sources(pem(c.leaf)), "cms")
    assert (pinned.certificate, pinned.roots) == (der(c.leaf), ())
    assert len(anchors_of(full_chain()).crls) == 2
    bad = [
        (Sources(spki_pem(c.leaf_key)), "cms", "needs a certificate"),
        (Sources(spki_pem(c.leaf_key), [pem(c.root)]), "ecdsa-p256-sha256", "a bare key cannot use roots"),
        (Sources(pem(c.leaf), [], [pem(c.middle)]), "ecdsa-p256-sha256", "need a root"),
        (Sources(pem(c.leaf), [], [], [pem(c.root_crl)]), "cms", "need a root"),
        (Sources(pem(c.leaf), [pem(c.leaf)]), "cms", "not an authority's certificate"),
    ]
    for sources, form, word in bad:
        with pytest.raises(RefusedError, match=word):
            make(sources, form)


def test_removing_needs_a_reason_and_happens_once() -> None:
    removed = remove(entry(), at=AT, reason="the stick with its key was lost")
    assert removed.removed
    assert not entry().removed
    with pytest.raises(InputError, match="give a reason"):
        remove(entry(), at=AT, reason="  ")
    with pytest.raises(InputError, match="was removed on 2026-08-01 already: the stick"):
        remove(removed, at=AT, reason="again")


@pytest.mark.parametrize("which", range(len(every_kind())))
def test_an_entry_comes_back_as_it_was_written(which: int) -> None:
    original = every_kind()[which]
    files = to_files(original)
    assert list(files)[-1] == f"{original.name}.toml"
    assert from_files(original.name, files[f"{original.name}.toml"], lambda name, _: files[name]) == original


def test_the_key_files_are_openssls_to_read(tmp_path: Path) -> None:
    for name, data in to_files(full_chain()).items():
        (tmp_path / name).write_bytes(data)
    x509 = ("x509", "-noout", "-fingerprint", "-in", "marram-2026.pem")
    assert run(program("openssl"), *x509, cwd=tmp_path).returncode == 0
    (crls,) = (name for name in to_files(full_chain()) if is_crls_name("marram-2026", name))
    crl = ("crl", "-noout", "-in", crls)
    assert run(program("openssl"), *crl, cwd=tmp_path).returncode == 0
    (tmp_path / "bare.pem").write_bytes(to_files(entry("rsa"))["marram-2026.pem"])
    assert run(program("openssl"), "pkey", "-pubin", "-noout", "-in", "bare.pem", cwd=tmp_path).returncode == 0


def read_back(files: dict[str, bytes]) -> TrustEntry:
    return from_files("marram-2026", files["marram-2026.toml"], lambda name, _: files[name])


@pytest.mark.attack("not on that list: downgrade of form, confusion of keys")
def test_a_file_put_in_anothers_place_is_refused() -> None:
    files = to_files(entry())
    for other in (spki_pem(private("ed25519", 5)), b"", files["marram-2026.pem"] + b"\n"):
        with pytest.raises(RefusedError, match="not the file that the entry was made with"):
            read_back(files | {"marram-2026.pem": other})


def test_a_key_swapped_with_its_digest_is_still_not_the_fingerprints() -> None:
    """Whoever rewrites the TOML as well must rewrite the fingerprint that people compared: it is then another key."""
    mine, other = to_files(entry()), to_files(entry("ed25519", which=5))
    toml = other["marram-2026.toml"].replace(
        entry("ed25519", which=5).fingerprint.encode(), entry().fingerprint.encode()
    )
    with pytest.raises(RefusedError, match="not the one that its fingerprint names"):
        read_back(mine | other | {"marram-2026.toml": toml})


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        (b"trust = 1", b"trust = 2", "format is 2"),
        (b"trust = 1", b"trust = true", "format is True|no int"),
        (b"trust = 1", b"", "format is None"),
        (b'form = "sshsig"', b'form = "none"', "no signature form"),
        (b'form = "sshsig"', b'form = "rsa-pss-sha256"', "cannot make rsa-pss-sha256"),
        (b'form = "sshsig"', b"form = 3", "form is no str"),
        (b'form = "sshsig"', b"", "form is missing"),
        (b'for = ["bundles"]', b'for = ["everything"]', "no purpose"),
        (b'for = ["bundles"]', b'for = "bundles"', "for is no list"),
        (b'for = ["bundles"]', b"for = []", "needs a purpose"),
        (b'for = ["bundles"]', b"for = [1]", "else than texts"),
        (b'key_type = "ed25519"', b'key_type = "rsa"', "not the one that its fingerprint"),
        (b"trust = 1", b'trust = 1\npurpose = "x"', "unknown key 'purpose'"),
        (b"trust = 1", b"trust = 1\nfrom = 2026-01-01T00:00:00Z", "from is no date"),
        (b"trust = 1", b"trust = 1\nadded = 2026-01-01T00:00:00", "no zone"),
        (b"trust = 1", b"trust = 1\nremoved = 2026-01-01", "removed is no datetime"),
        (b"trust = 1", b'trust = 1\nkey_id = "zz"', "not hexadecimal"),
        (b"[files]", b'[files]\n"other.pem" = "00"', "none of its own"),
        (b"[files]", b'[files]\n"../x" = "00"', "none of its own"),
        (b"trust = 1", b"trust = 1\nx = " + b"[" * 99, "deep"),
        (b"trust = 1", b"\xff", "no UTF-8"),
    ],
)
def test_a_changed_entry_is_refused(old: bytes, new: bytes, word: str) -> None:
    files = to_files(entry())
    assert old in files["marram-2026.toml"]
    with pytest.raises(KeeperError, match=word) as caught:
        read_back(files | {"marram-2026.toml": files["marram-2026.toml"].replace(old, new, 1)})
    assert caught.value.where.startswith("marram-2026")


def test_a_removed_entry_needs_its_reason_no_more_than_its_key() -> None:
    """A removed entry still reads, so that its signatures are not reported as an unknown key's."""
    removed = remove(entry(), at=AT, reason="lost")
    assert read_back(to_files(removed)).removed


def test_an_entry_with_neither_key_nor_root_is_refused() -> None:
    toml = to_files(entry())["marram-2026.toml"].split(b"[files]")[0]
    with pytest.raises(InputError, match="neither a key nor a root"):
        read_back({"marram-2026.toml": toml})


def test_texts_and_lists_are_bounded_so_that_what_is_written_can_be_read(monkeypatch: pytest.MonkeyPatch) -> None:
    source = Sources(spki_pem(private("ed25519")))
    make(source, "sshsig", added_from="x" * 4096)
    for words in ({"added_from": "x" * 4097}, {"purposes": ()}):
        with pytest.raises(InputError):
            make(source, "sshsig", **words)
    with pytest.raises(InputError, match="more than 4096"):
        remove(entry(), at=AT, reason="x" * 4097)
    monkeypatch.setattr("bundlekeeper.formats.limits.ENTRY_CRL_BYTES", 100)
    with pytest.raises(InputError, match="the lists more than 100"):
        full_chain()


def test_newer_lists_are_bounded_as_the_first_ones_are(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = full_chain()
    assert with_crls(whole, list(whole.crls)).crls == whole.crls
    monkeypatch.setattr("bundlekeeper.formats.limits.ENTRY_CRL_BYTES", sum(map(len, whole.crls)) - 1)
    with pytest.raises(InputError, match="lists take more than"):
        with_crls(whole, list(whole.crls))


def test_the_largest_entry_can_be_read_back() -> None:
    largest = limits.CRL_BYTES * 4 // 3 * 65 // 64 + 4096  # base64 in lines of 64, with its armour
    assert largest < limits.ENTRY_PEM_BYTES
    longest = remove(replace(entry(), added_from="\udcff" * 4096), at=AT, reason="\x01" * 4096)
    files = to_files(longest)
    assert len(files["marram-2026.toml"]) < limits.ENTRY_FILE_BYTES
    assert read_back(files).added_from == "\\udcff" * 4096


def test_the_file_names_of_two_entries_never_meet() -> None:
    names = [name for each in ("a", "a-roots", "roots", "crls", "b") for name in file_names(each).values()]
    assert len(set(names)) == len(names)
    assert FORMAT == 1
    assert ssh_line(private("ed25519")).startswith(b"ssh-ed25519 ")
