"""Every code is explained, once, and its example does what it is there to show."""

from __future__ import annotations

import re
from datetime import date
from functools import cache

import pytest

from bundlekeeper.demo.tour_world import reviewed_manifest
from bundlekeeper.errors import InputError
from bundlekeeper.jobs.handbook.codes import code_lists, explain, explained
from bundlekeeper.model.inventory.column_map import read_map
from bundlekeeper.model.inventory.read import InventorySource, read_inventory
from bundlekeeper.model.lint import LINT_CODES
from bundlekeeper.model.lint.read_manifest import lint
from tests.kits.sure import some

TODAY = date(2026, 11, 25)
TEXTS = explained()
LINES = {name: texts for name, texts in TEXTS.items() if "wrong" in texts}


def test_each_code_is_explained_and_nothing_else() -> None:
    """With what to do, and an example of one of three sorts."""
    known = {name for codes in code_lists() for name in codes.codes}
    assert set(some(TEXTS)) == known
    for name, texts in TEXTS.items():
        assert texts["do"].endswith("."), name
        sorts = {"command", "wrong", "text"} & texts.keys()
        assert len(sorts) == 1, name
        assert texts.keys() <= {"do", "exit", "right", *sorts}, name


@pytest.mark.parametrize("name", [name for name in LINES if name in LINT_CODES])
def test_the_wrong_line_has_the_code_and_the_right_one_has_not(name: str) -> None:
    """In the tour's manifest: `right` stands there, with `…` for any text, and `wrong` takes its place."""
    good = _manifest()
    if name == "own-copy":
        good = good.replace('"own copy"', '"publisher, 2026-08-02"')
    wrong, right = LINES[name]["wrong"].strip("\n"), LINES[name].get("right", "").strip("\n")
    if right:
        pattern = ".*".join(re.escape(piece) for piece in right.split("…"))
        assert re.search(pattern, good), right
        bad = re.sub(pattern, lambda _: wrong, good, count=1)
    else:
        bad = f"{wrong}\n{good}" if not wrong.startswith("[") else f"{good}\n{wrong}\n"
    assert name not in (_codes_of(good) if name == "own-copy" else _good_codes())
    assert name in _codes_of(bad), _codes_of(bad)


@cache
def _manifest() -> str:
    return reviewed_manifest()


@cache
def _good_codes() -> set[str]:
    return _codes_of(_manifest())


def _codes_of(text: str) -> set[str]:
    try:
        return {found.code for found in lint(text.encode(), name="marram.toml", today=TODAY)}
    except InputError as refused:
        return {found.code for found in refused.problems}


@pytest.mark.parametrize("name", [name for name in LINES if name.startswith("inventory-")])
def test_the_wrong_rows_of_an_inventory_have_the_code(name: str) -> None:
    text = 'inventory = 1\nread_at = 2026-11-20\nzone = "UTC"\n' + LINES[name]["wrong"]
    with pytest.raises(InputError) as refused:
        read_inventory([InventorySource("holm.toml", text.encode(), "toml")])
    assert {problem.code for problem in refused.value.problems} == {name}


@pytest.mark.parametrize("name", [name for name in LINES if name.startswith("columns-")])
def test_the_wrong_entry_of_a_column_map_has_the_code(name: str) -> None:
    text = "columns = 1\n" + LINES[name]["wrong"]
    with pytest.raises(InputError) as refused:
        read_map(text.encode(), name="map.toml")
    assert {problem.code for problem in refused.value.problems} == {name}


def test_each_line_is_tried_and_each_lint_code_that_needs_no_large_file_has_one() -> None:
    tried = {name for name in LINES if name in LINT_CODES or name.startswith(("inventory-", "columns-"))}
    assert tried == set(LINES)
    elsewhere = {"too-large", "too-deep", "too-many", "byte-order-mark", "not-text", "more-problems", "not-compared"}
    assert set(LINT_CODES) - set(LINES) == elsewhere | {"no-bundle", "family-empty", "digest-shared"}


def test_what_it_does_to_the_exit_status() -> None:
    """Of a run that finds nothing else."""
    assert explain("altered").exit_status == explain("withdrawn").exit_status == 1
    assert explain("unreadable").exit_status == explain("damaged").exit_status == 3
    assert explain("own-copy").exit_status == 0
    assert explain("inventory-key").exit_status == explain("map-key").exit_status == 2
    assert explain("bundle-twice").effect.startswith("1 from manifest lint; 2 from every other")
    assert explain("not-toml").exit_status == 2
    assert explain("repeated").effect == "1, unless something else makes it higher."
    assert "4 where a command relies on it" in explain("writable-by-others").effect


def test_a_word_that_is_no_code_is_refused_with_the_nearest() -> None:
    with pytest.raises(InputError) as refused:
        explain("alterd")
    assert refused.value.hint == "did you mean: bundlekeeper explain altered"
    with pytest.raises(InputError) as refused:
        explain("qqqq")
    assert "help codes" in refused.value.hint
