"""A first manifest: what tomllib and the manifest's own types make of it."""

from __future__ import annotations

import tomllib
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Level
from bundlekeeper.model.lint.read_manifest import lint
from bundlekeeper.model.manifest.checksum_list import parse
from bundlekeeper.model.manifest.draft import (
    OWN_COPY,
    SCHEMA_LINE,
    DraftRow,
    confirm,
    draft,
    entries_from_list,
    fill,
    publisher,
)
from bundlekeeper.model.manifest.types import Manifest

ONE, TWO, THREE = "1" * 64, "2" * 64, "3" * 64
EMPTY = '""'
TODAY = date(2026, 11, 25)
FILES = [
    DraftRow("marram-rack-6.1.0.bin", THREE, 3000),
    DraftRow("marram-blade-6.1.0.bin", TWO, 2000),
    DraftRow("marram-infrastructure-6.1.0.bin", ONE, 1000),
]


def drafted(entries: list[DraftRow], digest_from: str = OWN_COPY) -> str:
    return draft(entries, platform="marram", issued=TODAY, digest_from=digest_from)


def complaints(text: str) -> set[tuple[Any, ...]]:
    """Where the manifest's types refuse a value."""
    try:
        Manifest.model_validate(tomllib.loads(text))
    except ValidationError as error:
        return {problem["loc"] for problem in error.errors()}
    return set()


def test_a_draft_from_files() -> None:
    text = drafted(FILES)
    assert text.splitlines()[0] == SCHEMA_LINE
    data = tomllib.loads(text)
    assert (data["manifest"], data["platform"], data["sequence"], data["issued"]) == (1, "marram", 1, TODAY)
    assert [(b["family"], b["version"], b["file"], b["size"], b["sha256"]) for b in data["bundle"]] == [
        ("infrastructure", "6.1.0", "marram-infrastructure-6.1.0.bin", 1000, ONE),
        ("blade", "6.1.0", "marram-blade-6.1.0.bin", 2000, TWO),
        ("rack", "6.1.0", "marram-rack-6.1.0.bin", 3000, THREE),
    ]
    assert {b["digest_from"] for b in data["bundle"]} == {"own copy"}
    assert "release" not in data
    assert "cannot verify that file" in text
    assert text.endswith("\n")
    assert "\n\n\n" not in text


def test_a_variant_is_never_guessed() -> None:
    """Taking the wrong variant is a classic mistake: two files of one version are refused until somebody says it."""
    assert complaints(drafted(FILES)) == {("bundle", index, "lifecycle") for index in range(3)}
    rows = [DraftRow("marram-rack-6.1.0.bin", ONE, 1), DraftRow("rack/marram-rack-6.1.0.bin", TWO, 1)]
    assert "variant" not in drafted(rows[:1])


def test_what_is_not_known_is_refused_at_its_place_and_never_invented() -> None:
    text = drafted([DraftRow("odd.bin")])
    keys = ("family", "version", "lifecycle", "size", "sha256")
    assert complaints(text) == {("families",), *(("bundle", 0, key) for key in keys)}
    for key in keys:
        (line,) = [row for row in text.splitlines() if row.startswith(f"{key} = ")]
        assert "# REVIEW: " in line
    assert "digest_from" not in tomllib.loads(text)["bundle"][0]


@pytest.mark.parametrize(
    "entries", [FILES, FILES[:1], [DraftRow("odd.bin")], [DraftRow("marram-blade-6.1.0.bin", TWO)]]
)
def test_lint_points_at_every_empty_value_and_at_nothing_else_that_was_drafted(entries: list[DraftRow]) -> None:
    """'A clear placeholder that lint will refuse with a position'; nothing else is an error."""
    text = drafted(entries)
    places = {
        f"m.toml:{number}:{line.index(empty) + 1}"
        for number, line in enumerate(text.splitlines(), 1)
        for empty in (EMPTY, "[]")
        if f" = {empty}  # REVIEW: " in line and not line.startswith("known")
    }
    found = [f for f in lint(text.encode(), name="m.toml", today=TODAY) if f.level is Level.ERROR]
    assert {f.where for f in found} == places


def test_what_is_inside_is_a_skeleton_that_lint_refuses_until_it_is_filled_in() -> None:
    text = drafted(FILES[:1])
    start = text.index("# images = [")
    filled = text[:start] + text[start:].replace("# images", "images").replace("#   {", "  {").replace("# ]", "]")
    assert complaints(filled) >= {("bundle", 0, "images", 0, "models", 0), ("bundle", 0, "images", 0, "version")}
    inside = next(line for line in text.splitlines() if "what is inside" in line)
    assert "bios, management-controller" in inside
    assert "fabric-switch" not in inside
    assert "fabric-switch" in drafted(FILES[2:])


def test_the_release_is_an_example_only_and_reads_when_uncommented() -> None:
    text = drafted([*FILES, DraftRow("marram-blade-6.0.1.bin", "4" * 64, 1)])
    start = text.index("# [[release]]")
    example = text[start : text.index("# REVIEW", start)].replace("# ", "")
    assert tomllib.loads(example)["release"] == [
        {"name": "…", "infrastructure": "6.1.0", "blade": "6.1.0", "rack": "6.1.0", "source": "…"}
    ]


def test_a_draft_from_a_list() -> None:
    listed = parse(
        f"{ONE}  marram-infrastructure-6.1.0.bin\n{TWO} *marram-blade-6.1.0.bin\n".encode(), name="SHA256SUMS"
    )
    rows, findings = entries_from_list(listed)
    assert findings == []
    text = drafted(rows, publisher(listed))
    assert complaints(text) == {("bundle", index, key) for index in (0, 1) for key in ("lifecycle", "size")}
    assert {b["digest_from"] for b in tomllib.loads(text)["bundle"]} == {"publisher: SHA256SUMS"}
    assert "cannot verify that file" not in text


def test_from_draft_to_confirmed() -> None:
    """The digest of a file is 'own copy' until it was held against the publisher's own list."""
    listed = parse(f"{ONE}  marram-infrastructure-6.1.0.bin\n{TWO}  marram-blade-6.1.0.bin\n".encode(), name="SUMS")
    text, report = fill(drafted(FILES[1:]), FILES)
    assert [c.key for c in report.changes] == ["bundle"]
    text, report = confirm(text, listed, source=publisher(listed), today=TODAY)
    data = tomllib.loads(text)
    assert data["sequence"] == 2
    assert {b["file"]: b["digest_from"] for b in data["bundle"]} == {
        "marram-infrastructure-6.1.0.bin": "publisher: SUMS, 2026-11-25",
        "marram-blade-6.1.0.bin": "publisher: SUMS, 2026-11-25",
        "marram-rack-6.1.0.bin": "own copy",
    }
    assert [(f.code, f.subject) for f in report.findings] == [("not-in-list", "marram-rack-6.1.0.bin")]


def test_signatures_become_a_comment() -> None:
    text = drafted([FILES[0], DraftRow(FILES[0].file + ".sig", ONE, 1)])
    assert len(tomllib.loads(text)["bundle"]) == 1
    assert f'# signature = {{ file = "{FILES[0].file}.sig", form = "…", key = "…" }}  # REVIEW' in text


@pytest.mark.parametrize("entries", [[], [DraftRow("a\udcff", ONE, 1)]])
def test_what_cannot_be_drafted(entries: list[DraftRow]) -> None:
    with pytest.raises(InputError) as caught:
        drafted(entries)
    assert caught.value.hint


names = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30)


@given(st.lists(names, min_size=1, max_size=4, unique=True), names, names)
def test_any_name_reads_back_exactly(files: list[str], platform: str, digest_from: str) -> None:
    """TOML 1.0.0: what is written is read back, whatever stands in names; nothing in a name leaves its string."""
    rows = [DraftRow(file, ONE, 7) for file in files if not file.endswith(".sig")]
    rows = rows or [DraftRow("x", ONE, 7)]
    data = tomllib.loads(draft(rows, platform=platform, issued=TODAY, digest_from=digest_from))
    assert {b["file"] for b in data["bundle"]} == {e.file for e in rows}
    assert {b["digest_from"] for b in data["bundle"]} == {digest_from}
    assert data["platform"] == platform
    assert set(data) == {"manifest", "platform", "sequence", "issued", "families", "versions", "bundle"}
