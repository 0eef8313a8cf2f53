"""RSA keys that are no good whatever their length, and RSA keys of another algorithm: refused when they are read.

Outside the project: FIPS 186-5 §5.1 for the exponent (odd, above 2^16 and below 2^256); for the modulus `openssl pkey
-pubcheck`, which does the partial validation of NIST SP 800-56B rev. 2 §6.4.2.2 (no prime factor below 752) but takes
any exponent; `openssl genpkey -algorithm RSA-PSS` for keys of RFC 4055 §1.2's algorithm.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa

from bundlekeeper.errors import RefusedError
from bundlekeeper.verification.keys.certificates import read_certificates
from bundlekeeper.verification.keys.public_key import checked, read_public_key
from tests.kits.signing_world import private, program, run

GOOD = private("rsa").public_key()
assert isinstance(GOOD, rsa.RSAPublicKey)
N = GOOD.public_numbers().n


def _der(tag: int, body: bytes) -> bytes:
    size = len(body)
    length = bytes([size]) if size < 0x80 else bytes([0x82]) + size.to_bytes(2, "big")
    return bytes([tag]) + length + body


def _integer(number: int) -> bytes:
    return _der(0x02, number.to_bytes(number.bit_length() // 8 + 1, "big"))


def spki(n: int, e: int) -> bytes:
    """A SubjectPublicKeyInfo of any two numbers (RFC 8017 A.1.1 in RFC 3279 §2.3.1), as no library would write it."""
    algorithm = _der(0x30, bytes.fromhex("06092a864886f70d010101") + b"\x05\x00")
    return _der(0x30, algorithm + _der(0x03, b"\0" + _der(0x30, _integer(n) + _integer(e))))


def multiple(factor: int) -> int:
    """A number of 2048 bits, odd, that `factor` divides and no other small prime does."""
    small = [p for p in range(3, 1000, 2) if all(p % q for q in range(3, p, 2))]
    start = (1 << 2047) // factor | 1
    return next(
        factor * k for k in range(start + 2, start + 100_000, 2) if all(k % p for p in small) and (factor * k) % 2
    )


CASES = {
    "an exponent of 1": (N, 1, "e must be"),  # the library's own words
    "an exponent of 3": (N, 3, "exponent"),
    "the largest exponent that is too small": (N, 65535, "exponent"),
    "an even exponent": (N, 65538, "e must be odd"),
    "an exponent beyond 2^256": (N, (1 << 256) + 1, "exponent"),
    "an even modulus": (N - 1, 65537, "divided by 2"),
    "a modulus divided by 3": (multiple(3), 65537, "divided by 3"),
    # the largest prime that is asked about; 757 is the next
    "a modulus divided by 751": (multiple(751), 65537, "divided by 751"),
}


def pubcheck(data: bytes, tmp_path: Path) -> bool:
    """What openssl says of the key."""
    (tmp_path / "key.der").write_bytes(data)
    asked = run(program("openssl"), "pkey", "-pubin", "-inform", "DER", "-in", str(tmp_path / "key.der"), "-pubcheck")
    return b"Key is valid" in asked.stdout + asked.stderr and asked.returncode == 0


@pytest.mark.attack("key compromise")
@pytest.mark.parametrize("name", CASES)
def test_a_key_whose_numbers_are_no_good_is_refused_when_it_is_read(name: str, tmp_path: Path) -> None:
    n, e, word = CASES[name]
    assert n == N or not pubcheck(spki(n, e), tmp_path)
    with pytest.raises(RefusedError, match=word) as caught:
        read_public_key(spki(n, e))
    assert "publisher" in caught.value.hint


@pytest.mark.parametrize(
    ("n", "e"),
    [(N, 65537), (N, 65539), (N, (1 << 31) + 1), (multiple(757), 65537)],
    ids=["usual", "larger", "32 bits", "a factor of 757"],  # not the numbers, which are others in each process
)
def test_what_openssl_allows_is_allowed(n: int, e: int, tmp_path: Path) -> None:
    assert pubcheck(spki(n, e), tmp_path)
    assert read_public_key(spki(n, e)).key_type == "rsa"


def test_a_key_object_of_the_library_is_looked_at_as_well() -> None:
    """Such as that of a certificate, an SSH signature or a chain."""
    with pytest.raises(RefusedError, match="exponent"):
        checked(rsa.RSAPublicNumbers(3, N).public_key())


@pytest.mark.parametrize("options", [(), ("rsa_pss_keygen_md:sha256", "rsa_pss_keygen_saltlen:32")])
def test_a_key_of_rsassa_pss_is_called_by_its_name(options: tuple[str, ...], tmp_path: Path) -> None:
    """The key itself, and a certificate of it: what it is, and what to ask the publisher for."""
    extra = [word for option in options for word in ("-pkeyopt", option)]
    bits = ["-pkeyopt", "rsa_keygen_bits:2048"]
    made = run(program("openssl"), "genpkey", "-algorithm", "RSA-PSS", *bits, *extra, "-out", str(tmp_path / "k.pem"))
    assert made.returncode == 0, made.stderr
    key = run(program("openssl"), "pkey", "-in", str(tmp_path / "k.pem"), "-pubout")
    words = ["-x509", "-key", str(tmp_path / "k.pem"), "-subj", "/CN=Marram", "-days", "9"]
    certificate = run(program("openssl"), "req", *words)
    assert (key.returncode, certificate.returncode) == (0, 0), certificate.stderr
    for data, read in (
        (key.stdout, read_public_key),
        (certificate.stdout, read_public_key),
        (certificate.stdout, read_certificates),
    ):
        with pytest.raises(RefusedError, match="RSASSA-PSS") as caught:
            read(data)
        assert "ask the publisher" in caught.value.hint
        assert "--form rsa-pss-sha256" in caught.value.hint
