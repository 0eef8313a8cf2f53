"""store.toml: the defaults, every key, every problem at once with its place; a broken one accepts nothing."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.model import store_settings as settings
from bundlekeeper.model.store_settings import StoreSettings, read_settings
from bundlekeeper.model.trust import FORMS, SignatureForm
from bundlekeeper.model.vocabulary import FAMILIES
from tests.kits.sure import only_our_errors

WHOLE = b"""store = 1
signed_families = ["infrastructure", "rack"]
forms = ["rsa-pss-sha256", "sshsig"]
signed_manifests = true
max_verification_age = "90d"
max_whole_bytes = 2_000_000_000
"""


def test_no_file_and_an_empty_one_mean_the_defaults() -> None:
    assert read_settings(None) == read_settings(b"store = 1\n") == StoreSettings()
    assert not StoreSettings().needs_signature("infrastructure")
    assert StoreSettings().forms == FORMS


def test_every_key_is_read() -> None:
    found = read_settings(WHOLE)
    assert found == StoreSettings(
        ("infrastructure", "rack"), ("rsa-pss-sha256", "sshsig"), True, 90 * 86400, 2_000_000_000
    )
    assert found.needs_signature("rack")
    assert not found.needs_signature("blade")


def test_the_words_are_those_of_the_manifest() -> None:
    assert get_args(SignatureForm) == FORMS
    assert set(
        settings.read_settings(b'store = 1\nsigned_families = ["infrastructure", "blade", "rack"]').signed_families
    ) == set(FAMILIES)


def test_the_example_of_the_handbook_reads() -> None:
    text = (Path(settings.__file__).parents[1] / "handbook" / "trust.md").read_text("utf-8")
    found = read_settings(text.partition("```toml\n")[2].partition("```")[0].encode())
    assert found.signed_families == ("infrastructure",)
    assert found.max_verification_age_s == 90 * 86400


def test_every_problem_is_reported_at_once_with_its_place() -> None:
    data = b"""store = 2
signed_family = ["rack"]
forms = ["sshsig", "ssh-sig", 3, "sshsig"]
signed_manifests = "yes"
max_verification_age = "soon"
max_whole_bytes = -1
"""
    with pytest.raises(InputError, match="8 problems") as caught:
        read_settings(data, where="store.toml")
    rows = [(f.code, f.where) for f in caught.value.problems]
    assert rows == [
        ("newer-format", "store.toml:1:9"),
        ("key-unknown", "store.toml:2:1"),
        ("bad-value", "store.toml:3:20"),
        ("wrong-type", "store.toml:3:31"),
        ("repeated", "store.toml:3:34"),
        ("wrong-type", "store.toml:4:20"),
        ("bad-value", "store.toml:5:24"),
        ("bad-value", "store.toml:6:19"),
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
        b"max_verification_age = 90",
        b"max_verification_age = '0d'",
        b"max_verification_age = '999999999w'",
        b"max_whole_bytes = 1.5",
        b"max_whole_bytes = true",
        b"max_whole_bytes = 99_999_999_999_999",
        b"signed_manifests = 1",
        b"none = 1",
    ],
)
def test_one_bad_value_is_enough_to_refuse_the_file(line: bytes) -> None:
    """ "a file that cannot be read whole admits nothing" (bundlekeeper.model.store_settings)"""
    with pytest.raises(InputError) as caught:
        read_settings(b"store = 1\n" + line)
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize("data", [b"", b"signed_manifests = true", b"store = true", b"store = '1'", b"store = 0"])
def test_the_format_must_be_stated(data: bytes) -> None:
    with pytest.raises(InputError, match=r"store is missing|reads format 1"):
        read_settings(data)


def test_what_is_no_toml_or_too_large_is_refused() -> None:
    for data in (
        b"\xff",
        b"store = ",
        b"#" * (limits.STORE_SETTINGS_BYTES + 1),
        b"a = " + b"[" * 100,
        b"store = 1\n" * 2,
    ):
        with pytest.raises(InputError):
            read_settings(data)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_by_our_own_errors(data: bytes) -> None:
    only_our_errors(read_settings, b"store = 1\n" + data)
