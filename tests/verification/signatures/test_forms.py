"""Raw signatures: RFC 8032 and NIST CAVP vectors, openssl both ways, and every form against every type of key.

The vectors are those of PyPI cryptography-vectors; it carries none of the Wycheproof project, so none are run.
"""

from __future__ import annotations

import base64
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import cryptography_vectors
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa, utils

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.verification.encodings.refusals import NotCheckedError, SignatureError
from bundlekeeper.verification.keys.public_key import FORM_TYPES, PublicKey, checked
from bundlekeeper.verification.signatures import forms
from tests.kits.signing_world import RAW, TYPES, digests, private, private_pem, program, public, run, sign_raw, spki_pem
from tests.kits.sure import some

VECTORS = Path(cryptography_vectors.__file__).parent / "asymmetric"
MESSAGE = b"marram-infrastructure-6.1.0.bin\n" * 40


def good(form: str, key: PublicKey, signature: bytes, message: bytes) -> bool:
    """Whether a signature is good; anything but good or a SignatureError fails the test."""
    try:
        forms.verify(form, key, signature, digests=digests(message), whole=lambda _limit: message)
    except SignatureError:
        return False
    return True


# Secret keys, public keys, messages and signatures as printed in RFC 8032 §7.1 (TEST 1, TEST 2).
RFC_8032 = (
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe"
        "24655141438e7a100b",
    ),
    (
        "",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302a"
        "eeb00d291612bb0c00",
    ),
)


@pytest.mark.parametrize(("secret", "key", "message", "signature"), RFC_8032)
def test_rfc_8032(secret: str, key: str, message: str, signature: str) -> None:
    public_key = checked(ed25519.Ed25519PublicKey.from_public_bytes(bytes.fromhex(key)))
    assert good("ed25519", public_key, bytes.fromhex(signature), bytes.fromhex(message))
    assert not good("ed25519", public_key, bytes.fromhex(signature), bytes.fromhex(message) + b"\0")
    if secret:
        own = ed25519.Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
        assert sign_raw("ed25519", own, bytes.fromhex(message)).hex() == signature


def test_the_1024_published_ed25519_signatures() -> None:
    """cryptography-vectors, asymmetric/Ed25519/sign.input: 1024 good ones; each is bad for a changed message."""
    counts = Counter[bool]()
    for line in (VECTORS / "Ed25519/sign.input").read_text().splitlines():
        _, key, message, signed, *_ = line.split(":")
        public_key = checked(ed25519.Ed25519PublicKey.from_public_bytes(bytes.fromhex(key)))
        counts[good("ed25519", public_key, bytes.fromhex(signed)[:64], bytes.fromhex(message))] += 1
        assert not good("ed25519", public_key, bytes.fromhex(signed)[:64], bytes.fromhex(message) + b"x")
    assert counts == {True: 1024}


def _records(text: str, section: str) -> Iterator[dict[str, str]]:
    """The records of a CAVP response file, with the values of their section's header among them."""
    header: dict[str, str] = {}
    record: dict[str, str] = {}
    for line in [*text.splitlines(), ""]:
        if match := re.fullmatch(r"\[(.*)\]", line.strip()):
            header = {section: match[1]}
        elif " = " in line:
            key, _, value = line.partition(" = ")
            record[key.strip()] = value.strip()
        elif not line.strip() and record:
            if "Result" in record:
                yield header | record
                record = {}
            else:
                header |= record
                record = {}


@pytest.mark.parametrize(
    ("form", "curve", "section"),
    [
        ("ecdsa-p256-sha256", ec.SECP256R1(), "P-256,SHA-256"),
        ("ecdsa-p384-sha384", ec.SECP384R1(), "P-384,SHA-384"),
    ],
)
def test_nist_cavp_ecdsa(form: str, curve: ec.EllipticCurve, section: str) -> None:
    """NIST CAVP, ECDSA FIPS 186-3 SigVer.rsp: every record of the form's own curve and hash, good and bad."""
    text = (VECTORS / "ECDSA/FIPS_186-3/SigVer.rsp").read_text()
    counts = Counter[tuple[str, bool]]()
    for record in _records(text, "section"):
        if record["section"] != section:
            continue
        try:
            key = checked(
                ec.EllipticCurvePublicNumbers(int(record["Qx"], 16), int(record["Qy"], 16), curve).public_key()
            )
            signature = utils.encode_dss_signature(int(record["R"], 16), int(record["S"], 16))
            found = good(form, key, signature, bytes.fromhex(record["Msg"]))
        except ValueError:  # a changed Q that is no point: the library refuses it, as it would in a key file
            found = False
        counts[record["Result"][0], found] += 1
    assert counts == {("P", True): 3, ("F", False): 12}


@pytest.mark.parametrize(
    ("form", "file"), [("rsa-pss-sha256", "SigVerPSS_186-3.rsp"), ("rsa-pkcs1-sha256", "SigVer15_186-3.rsp")]
)
def test_nist_cavp_rsa(form: str, file: str) -> None:
    """NIST CAVP, RSA FIPS 186-3: SHA-256 records of 2048 bits and more go through the form, shorter keys are refused.

    450 records, 90 of them SHA-256, of five sizes with 18 each: 54 apply (2048, 3072, 4096), 36 are refused for size.
    """
    text = (VECTORS / "RSA/FIPS_186-2" / file).read_text()
    counts = Counter[tuple[str, str]]()
    for record in _records(text, "section"):
        if record["SHAAlg"] != "SHA256":
            continue
        key = _of_any_exponent(rsa.RSAPublicNumbers(int(record["e"], 16), int(record["n"], 16)).public_key())
        if key is None:
            counts[record["Result"][0], "refused"] += 1
            continue
        found = good(form, key, bytes.fromhex(record["S"]), bytes.fromhex(record["Msg"]))
        counts[record["Result"][0], "good" if found else "bad"] += 1
    assert counts == {("P", "good"): 9, ("F", "bad"): 45, ("P", "refused"): 6, ("F", "refused"): 30}


def _of_any_exponent(key: rsa.RSAPublicKey) -> PublicKey | None:
    """The key, None where it is refused for its size; small exponents are allowed, as by FIPS 186-2."""
    try:
        return checked(key)
    except RefusedError as e:
        if "too weak" in e.message:
            return None
        assert "exponent" in e.message
    form = (serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
    return PublicKey("rsa", key.public_bytes(*form), "", key.key_size, b"", b"")


def test_nist_cavp_rsa_encoded_messages() -> None:
    """NIST CAVP, SigVer15EMTest.txt: 150 records with wrong padding, all of which must fail; 18 of them apply."""
    text = (VECTORS / "RSA/SigVer15EMTest.txt").read_text()
    counts = Counter[tuple[str, str]]()
    for record in _records(text, "section"):
        if record["SHAAlg"] != "SHA256":
            continue
        key = _of_any_exponent(rsa.RSAPublicNumbers(int(record["e"], 16), int(record["n"], 16)).public_key())
        if key is None:
            counts[record["Result"][0], "refused"] += 1
            continue
        found = good("rsa-pkcs1-sha256", key, bytes.fromhex(record["S"]), bytes.fromhex(record["Msg"]))
        counts[record["Result"][0], "good" if found else "bad"] += 1
    assert counts == {("F", "bad"): 18, ("F", "refused"): 12}


def _openssl_sign(form: str, tmp_path: Path, salt: str = "") -> bytes:
    key, message, signature = tmp_path / "key.pem", tmp_path / "message", tmp_path / "message.sig"
    key.write_bytes(private_pem(private(dict(RAW)[form])))
    message.write_bytes(MESSAGE)
    if form == "ed25519":
        command = ["pkeyutl", "-sign", "-inkey", str(key), "-rawin", "-in", str(message), "-out", str(signature)]
    else:
        hash_ = "-" + forms.FORM_DIGEST[form]
        extra = ["-sigopt", "rsa_padding_mode:pss"] if form == "rsa-pss-sha256" else []
        extra += ["-sigopt", f"rsa_pss_saltlen:{salt}"] if salt else []
        command = ["dgst", hash_, *extra, "-sign", str(key), "-out", str(signature), str(message)]
    made = run(program("openssl"), *command)
    assert made.returncode == 0, made.stderr
    return signature.read_bytes()


@pytest.mark.parametrize(("form", "key_type"), RAW)
def test_what_openssl_signs_is_good_here(form: str, key_type: str, tmp_path: Path) -> None:
    signature = _openssl_sign(form, tmp_path)
    key = public(key_type)
    text = base64.b64encode(signature)
    wrapped = b"\n".join(text[at : at + 64] for at in range(0, len(text), 64)) + b"\n"
    for written in (signature, text, text + b"\n", wrapped, wrapped.replace(b"\n", b"\r\n")):
        assert good(form, key, written, MESSAGE)
        assert not good(form, key, written, MESSAGE[:-1])
    for written in (signature + b"\0", signature[:-1], b"", text[:-1], b" " + text, text + b"\n\n", text + b"="):
        assert not good(form, key, written, MESSAGE)


@pytest.mark.parametrize("salt", ["0", "20", "digest", "max"])
def test_pss_of_any_salt_length_is_good(salt: str, tmp_path: Path) -> None:
    assert good("rsa-pss-sha256", public("rsa"), _openssl_sign("rsa-pss-sha256", tmp_path, salt), MESSAGE)


@pytest.mark.parametrize(("form", "key_type"), RAW)
def test_openssl_verifies_what_is_signed_here(form: str, key_type: str, tmp_path: Path) -> None:
    """The lines of the docstring of `bundlekeeper.verification.signatures.forms`, taken from it and run."""
    signature = sign_raw(form, private(key_type), MESSAGE)
    assert good(form, public(key_type), signature, MESSAGE)
    (tmp_path / "key.pem").write_bytes(spki_pem(private(key_type)))
    (tmp_path / "FILE").write_bytes(MESSAGE)
    (tmp_path / "FILE.sig").write_bytes(signature)
    lines = [line.strip() for line in str(forms.__doc__).splitlines() if line.strip().startswith("openssl ")]
    line = next(line for line in lines if re.search(rf"\(.*{form}.*\)$", line))
    words = re.sub(r"\s+\(.*\)$", "", line).split()
    assert run(program("openssl"), *words[1:], cwd=tmp_path).returncode == 0
    (tmp_path / "FILE").write_bytes(MESSAGE + b"x")
    assert run(program("openssl"), *words[1:], cwd=tmp_path).returncode != 0


@pytest.mark.fault(38)
@pytest.mark.attack("not on that list: downgrade of form, confusion of keys")
@pytest.mark.parametrize("form", forms.RAW_FORMS)
@pytest.mark.parametrize("key_type", TYPES)
def test_no_form_allows_a_key_of_another_type(form: str, key_type: str) -> None:
    """Fault 38, all raw forms × all types × every raw signature that there is: only the form's own is good."""
    for made_by, made_with in RAW:
        signature = sign_raw(made_by, private(made_with), MESSAGE)
        if key_type not in FORM_TYPES[form]:
            with pytest.raises(RefusedError, match="cannot make"):
                forms.verify(form, public(key_type), signature, digests=digests(MESSAGE), whole=lambda _: MESSAGE)
        else:
            assert good(form, public(key_type), signature, MESSAGE) == (form == made_by)


def test_a_bare_pair_is_refused_with_a_hint() -> None:
    r, s = utils.decode_dss_signature(sign_raw("ecdsa-p256-sha256", private("ecdsa-p256"), MESSAGE))
    pair = r.to_bytes(32, "big") + s.to_bytes(32, "big")
    for written in (pair, base64.b64encode(pair)):
        with pytest.raises(SignatureError, match=r"r\|\|s") as caught:
            forms.verify("ecdsa-p256-sha256", public("ecdsa-p256"), written, digests=digests(MESSAGE))
        assert "DER" in caught.value.hint


def test_padded_der_is_not_the_signature() -> None:
    signature = sign_raw("ecdsa-p256-sha256", private("ecdsa-p256"), MESSAGE)
    longer = b"\x30\x81" + signature[1:]
    assert not good("ecdsa-p256-sha256", public("ecdsa-p256"), longer, MESSAGE)
    assert not good("ecdsa-p256-sha256", public("ecdsa-p256"), utils.encode_dss_signature(0, 0), MESSAGE)


@pytest.mark.parametrize(("form", "key_type"), RAW)
def test_without_the_digest_or_the_message_nothing_is_good(form: str, key_type: str) -> None:
    signature = sign_raw(form, private(key_type), MESSAGE)
    with pytest.raises(NotCheckedError):
        forms.verify(form, public(key_type), signature, digests={"md5": "00"})


def test_pure_ed25519_asks_for_the_message_with_its_bound_and_may_be_refused() -> None:
    """The caller's reader is reported the bound in bytes, and refuses longer messages before it reads them."""
    asked: list[int] = []

    def too_long(limit: int) -> bytes:
        asked.append(limit)
        raise NotCheckedError("longer than the bound")

    signature = sign_raw("ed25519", private("ed25519"), MESSAGE)
    with pytest.raises(NotCheckedError, match="longer"):
        forms.verify("ed25519", public("ed25519"), signature, digests={}, whole=too_long)
    assert asked == [limits.WHOLE_MESSAGE_BYTES]
    with pytest.raises(SignatureError, match="64 bytes"):  # a malformed signature costs no memory
        forms.verify("ed25519", public("ed25519"), signature[1:], digests={}, whole=too_long)
    assert len(asked) == 1


def test_verifying_pure_ed25519_copies_no_message() -> None:
    """ "say in the docs what is done and what memory it costs": one byte for each byte, however it is handed over."""
    code = (
        "from tests.kits.memory import peak_bytes\n"
        "from tests.kits.signing_world import private, public, sign_raw\n"
        "from bundlekeeper.verification.signatures import forms\n"
        "message = bytearray(1 << 26)\n"
        "signature = sign_raw('ed25519', private('ed25519'), message)\n"
        "before = peak_bytes()\n"
        "forms.verify('ed25519', public('ed25519'), signature, digests={}, whole=lambda _: message)\n"
        "print(peak_bytes() - before)\n"
    )
    root = Path(__file__).parents[3]
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert int(out.stdout) < 1 << 25  # half the message


@pytest.mark.fault(49)
@pytest.mark.attack("endless data")
def test_an_oversized_signature_file_is_refused_before_it_is_looked_at() -> None:
    for form, key_type in RAW:
        with pytest.raises(SignatureError, match="larger than"):
            forms.verify(
                form,
                public(key_type),
                b"A" * (limits.RAW_SIGNATURE_BYTES + 1),
                digests=digests(b""),
                whole=lambda _: b"",
            )


def test_forms_that_are_not_raw_are_not_verified_as_raw() -> None:
    with pytest.raises(InputError, match="no raw form"):
        forms.verify("sshsig", public("ed25519"), b"", digests={})
    with pytest.raises(InputError):
        forms.verify("none", public("ed25519"), b"", digests={})


@pytest.mark.parametrize(("form", "key_type"), RAW)
def test_flipping_any_bit_of_a_signature_or_a_message_is_never_good(form: str, key_type: str) -> None:
    """Fault 36, for raw signatures."""
    message = MESSAGE[:32]
    signature = sign_raw(form, private(key_type), message)
    for at in some(range(len(signature))):
        for bit in (0, 7):
            changed = bytearray(signature)
            changed[at] ^= 1 << bit
            assert not good(form, public(key_type), bytes(changed), message)
    for at in some(range(len(message))):
        changed = bytearray(message)
        changed[at] ^= 1
        assert not good(form, public(key_type), signature, bytes(changed))
