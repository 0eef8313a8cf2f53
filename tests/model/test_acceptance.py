"""acceptance.toml: the defaults, every key, every problem at once with its place; a broken one accepts nothing."""

from __future__ import annotations

from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.model import acceptance
from bundlekeeper.model.acceptance import Acceptance, read_acceptance
from bundlekeeper.model.trust import FORMS, SignatureForm
from bundlekeeper.model.vocabulary import FAMILIES
from tests.kits.sure import only_our_errors

WHOLE = b"""acceptance = 1
signed_families = ["infrastructure", "rack"]
forms = ["rsa-pss-sha256", "sshsig"]
signed_manifests = true
max_proof_age = "90d"
max_whole_bytes = 2_000_000_000
"""


def test_no_file_and_an_empty_one_mean_the_defaults() -> None:
    assert read_acceptance(None) == read_acceptance(b"acceptance = 1\n") == Acceptance()
    assert not Acceptance().wants_signature("infrastructure")
    assert Acceptance().forms == FORMS


def test_every_key_is_read() -> None:
    found = read_acceptance(WHOLE)
    assert found == Acceptance(
        ("infrastructure", "rack"), ("rsa-pss-sha256", "sshsig"), True, 90 * 86400, 2_000_000_000
    )
    assert found.wants_signature("rack")
    assert not found.wants_signature("blade")


def test_the_words_are_those_of_the_manifest() -> None:
    assert get_args(SignatureForm) == FORMS
    assert set(
        acceptance.read_acceptance(
            b'acceptance = 1\nsigned_families = ["infrastructure", "blade", "rack"]'
        ).signed_families
    ) == set(FAMILIES)


def test_the_example_of_the_docstring_reads() -> None:
    text = "\n".join(line[4:] for line in str(acceptance.__doc__).splitlines() if line.startswith("    "))
    found = read_acceptance(text.encode())
    assert found.max_whole_bytes == Acceptance().max_whole_bytes
    assert found.max_proof_age_s == 90 * 86400


def test_every_problem_is_told_at_once_with_its_place() -> None:
    data = b"""acceptance = 2
signed_family = ["rack"]
forms = ["sshsig", "ssh-sig", 3, "sshsig"]
signed_manifests = "yes"
max_proof_age = "soon"
max_whole_bytes = -1
"""
    with pytest.raises(InputError, match="8 problems") as caught:
        read_acceptance(data, where="acceptance.toml")
    rows = [(f.code, f.where) for f in caught.value.problems]
    assert rows == [
        ("newer-format", "acceptance.toml:1:14"),
        ("unknown-key", "acceptance.toml:2:1"),
        ("bad-value", "acceptance.toml:3:20"),
        ("wrong-type", "acceptance.toml:3:31"),
        ("repeated", "acceptance.toml:3:34"),
        ("wrong-type", "acceptance.toml:4:20"),
        ("bad-value", "acceptance.toml:5:17"),
        ("bad-value", "acceptance.toml:6:19"),
    ]
    hints = [f.hint for f in caught.value.problems]
    assert hints[1] == "did you mean signed_families?"
    assert hints[2] == "did you mean sshsig?"
    assert all("^" in f.excerpt for f in caught.value.problems)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    "line",
    [
        b"forms = []",
        b"forms = 'sshsig'",
        b"signed_families = 1",
        b"signed_families = [['rack']]",
        b"max_proof_age = 90",
        b"max_proof_age = '0d'",
        b"max_proof_age = '999999999w'",
        b"max_whole_bytes = 1.5",
        b"max_whole_bytes = true",
        b"max_whole_bytes = 99_999_999_999_999",
        b"signed_manifests = 1",
        b"none = 1",
    ],
)
def test_one_bad_value_is_enough_to_refuse_the_file(line: bytes) -> None:
    """ "a file that cannot be read whole accepts nothing" (bundlekeeper.model.acceptance)"""
    with pytest.raises(InputError) as caught:
        read_acceptance(b"acceptance = 1\n" + line)
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize(
    "data", [b"", b"signed_manifests = true", b"acceptance = true", b"acceptance = '1'", b"acceptance = 0"]
)
def test_the_format_must_be_stated(data: bytes) -> None:
    with pytest.raises(InputError, match=r"acceptance is missing|reads format 1"):
        read_acceptance(data)


def test_what_is_no_toml_or_too_large_is_refused() -> None:
    for data in (
        b"\xff",
        b"acceptance = ",
        b"#" * (limits.ACCEPTANCE_BYTES + 1),
        b"a = " + b"[" * 100,
        b"acceptance = 1\n" * 2,
    ):
        with pytest.raises(InputError):
            read_acceptance(data)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_by_our_own_errors(data: bytes) -> None:
    only_our_errors(read_acceptance, b"acceptance = 1\n" + data)
