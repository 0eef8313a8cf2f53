"""`model.toml_plain` compared with tomllib, which is the outside reader of TOML here."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bundlekeeper.formats import toml_fast
from bundlekeeper.model.inventory.types import Inventory
from bundlekeeper.model.inventory.write_toml import to_toml
from tests.kits.inventories import inventories

_PLAIN = """\
# a list
inventory = 1
read_at = 2026-03-01\r
zone = "UTC"

[[component]]
kind = "bios"   \n\tserial\t=\t"Ä-1"
boot_files = ["1.0", "1.1"] # two
healthy = true
[[ component ]]
kind = 'bios'
note = "a \\"b\\""
[[policy]]
versions = { blade = "6.1.0" }
empty = ""
"""


def test_a_plain_text_reads_as_tomllib_reads_it() -> None:
    """Every form of line that counts as plain, in one text."""
    found = toml_fast.loads(_PLAIN)
    assert found is not None
    assert found == tomllib.loads(_PLAIN)
    assert toml_fast.loads("") == {}


@pytest.mark.parametrize(
    "text",
    [
        "a = 1\na = 2",  # twice
        'a = 1\n[[a]]\nb = "x"',  # a value and a table
        '[[a]]\nb = "x"\nb = "y"',
        'a = "x" "y"',
        'a = "x\\',
        "a = 01",
        "a =",
        "a",
        'a = "\x01"',
        "# \x01",
        'a = "x\ry"',
        "[[a]] x",
        "[[a]",
        "a = 1 b = 2",
        f"a = {'9' * 5000}",
        f"a = {'[' * 5000}",
    ],
)
def test_what_is_no_toml_is_left_to_tomllib(text: str) -> None:
    """It alone says what is wrong, and where."""
    with pytest.raises((ValueError, RecursionError)):
        tomllib.loads(text)
    assert toml_fast.loads(text) is None


@pytest.mark.parametrize("text", ["[a]\nb = 1", "a.b = 1", '"a" = 1', 'a = """\nx"""', "a = [\n1]", "[[a.b]]"])
def test_what_is_not_plain_is_left_to_tomllib(text: str) -> None:
    """It is TOML, of another kind."""
    assert tomllib.loads(text)
    assert toml_fast.loads(text) is None


def test_lists_and_tables_are_not_shared_by_two_rows() -> None:
    """Changing one row's list must not change the other's."""
    found = toml_fast.loads("[[a]]\nb = [1]\n[[a]]\nb = [1]\n")
    assert found == {"a": [{"b": [1]}, {"b": [1]}]}
    rows = found["a"]
    assert isinstance(rows, list)
    assert rows[0]["b"] is not rows[1]["b"]


_PIECES = st.sampled_from(
    ["[[", "]]", "[", "]", "a", "b", "-", " ", "\t", "=", "1", "0", '"', '""', '"""', "'", "\\", "#", "\n", "\n", "\r",
     "\r\n", ",", ".", "{", "}", "true", "nan", "2026-03-01", '"x"', "\x7f", "\x00", "\x0b", "\x85", "ä", "a = ",
     '\na = "x"', "\n[[a]]\n", "\n[[b]]\n"]
)  # fmt: skip


@given(st.lists(_PIECES, max_size=25).map("".join))
@example('[[a]]\n""=1')
def test_nothing_is_ever_read_otherwise_than_tomllib_reads_it(text: str) -> None:
    """TOML 1.0.0 by tomllib: whatever comes out is what it gives; what it refuses never comes out."""
    found = toml_fast.loads(text)
    if found is not None:
        assert repr(found) == repr(tomllib.loads(text))  # repr: nan is not equal to itself


@given(inventories())
def test_what_we_write_ourselves_is_plain(inventory: Inventory) -> None:
    """`inventory read --out` writes one table to a component; loading that is quick."""
    text = to_toml(inventory)
    assert toml_fast.loads(text) == tomllib.loads(text)
