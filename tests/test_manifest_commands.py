"""`manifest lint`, `confirm` and `check` as a user runs them: nothing is lost, whatever the others say."""

from __future__ import annotations

from pathlib import Path

from tests.conftest import Keeper, World


def test_one_manifest_that_cannot_be_read_hides_no_other(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """ "Every problem at once" (style.md, habit 5); the worst exit status wins."""
    (tmp_path / "bad.toml").write_text("manifest = 1\n")
    (tmp_path / "no.toml").write_text("manifest = \n")
    words = ["manifest", "lint", world.manifest, "nosuch", "no.toml", "bad.toml"]
    ran = keeper(*words)
    assert ran.status == 2
    assert "marram.toml: nothing to say" in ran.out
    assert "bad.toml:1:1" in ran.out
    assert "where: nosuch" in ran.err
    assert "not TOML" in ran.err
    inside = keeper(*words, "--json")
    assert inside.status == 2
    assert inside.json["ok"] is False
    assert {"unreadable", "not-toml", "missing-key"} <= set(inside.codes)
