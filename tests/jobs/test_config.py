"""The user's config file: each value where nothing else says otherwise, each problem with its place."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import platformdirs
import pytest

from bundlekeeper.errors import InputError, RefusedError, UnfinishedError
from bundlekeeper.jobs.config import config_path, shown, user_config
from bundlekeeper.jobs.session import Caller, Session
from bundlekeeper.jobs.store.listing import store_list
from bundlekeeper.model.config import KEYS, UserConfig, read_config
from tests.conftest import MARRAM, Keeper
from tests.kits.sure import some

GOOD = {
    "store": "/srv/firmware", "ledger": "postgresql://db.holm.example/firmware", "reported_by": "kim",
    "zone": "Etc/GMT-1", "max_verification_age": "30d",
}  # fmt: skip


@pytest.fixture
def home(tmp_path: Path) -> dict[str, str]:
    """An environment whose config folder is the test's own."""
    (tmp_path / "config/bundlekeeper").mkdir(parents=True)
    return {"XDG_CONFIG_HOME": str(tmp_path / "config")}


def _write(home: dict[str, str], **values: str) -> Path:
    path = config_path(home)
    path.write_text("".join(f'{key} = "{value}"\n' for key, value in values.items()), encoding="utf-8")
    path.chmod(0o600)
    return path


def test_the_file_is_where_platformdirs_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """The oracle is the library itself, with and without XDG_CONFIG_HOME (XDG Base Directory Specification 0.8)."""
    for value in ("/home/kim/settings", ""):
        monkeypatch.setenv("XDG_CONFIG_HOME", value)
        folder = Path(platformdirs.user_config_dir("bundlekeeper", appauthor=False))
        assert config_path(os.environ) == folder / "config.toml"


def test_a_path_that_is_not_absolute_and_a_link_to_nothing_name_no_settings(home: dict[str, str]) -> None:
    """Else another folder, or a share that is not mounted, would change the store without a word."""
    assert config_path({"XDG_CONFIG_HOME": "rel"}) == config_path({})
    path = config_path(home)
    path.symlink_to("/nowhere/config.toml")
    with pytest.raises(UnfinishedError, match="leads to nothing"):
        user_config(home)


def test_every_key_is_read() -> None:
    assert GOOD.keys() == KEYS.keys() == set(UserConfig.__slots__)
    text = "".join(f'{key} = "{value}"\n' for key, value in GOOD.items())
    assert read_config(text.encode(), where="c") == UserConfig(**GOOD)
    assert UserConfig(**GOOD).max_verification_age_s == 30 * 86400
    assert UserConfig().max_verification_age_s is None


def test_each_problem_is_reported_at_its_place_all_at_once() -> None:
    text = 'Store = "x"\nstore = "here"\nreported_by = 3\nzone = "Mars"\nmax_verification_age = "old"\n'
    with pytest.raises(InputError) as refused:
        read_config(text.encode(), where="c")
    found = [(problem.code, problem.where) for problem in refused.value.problems]
    assert found == [
        ("key-unknown", "c:1:1"), ("bad-value", "c:2:9"), ("wrong-type", "c:3:15"), ("bad-value", "c:4:8"),
        ("bad-value", "c:5:24"),
    ]  # fmt: skip
    assert refused.value.problems[0].hint == "did you mean store?"
    for key in some(GOOD):
        with pytest.raises(InputError):
            read_config(f'{key} = ""\n'.encode(), where="c")


def test_a_file_that_others_may_write_is_refused(home: dict[str, str]) -> None:
    path = _write(home, **GOOD)
    assert user_config(home).reported_by == "kim"
    for mode in (0o620, 0o602):
        path.chmod(mode)
        with pytest.raises(RefusedError) as refused:
            user_config(home)
        assert "chmod go-w" in refused.value.hint


def test_no_file_states_nothing(home: dict[str, str]) -> None:
    assert user_config(home) == UserConfig()


def test_what_holds_is_shown_with_where_it_comes_from(home: dict[str, str]) -> None:
    _write(home, reported_by="kim")
    found = shown({**home, "BUNDLEKEEPER_STORE": "/env"}, Path("/default"), "root")
    assert [(value.key, value.text, value.source) for value in found.values] == [
        ("store", "/env", "environment (BUNDLEKEEPER_STORE)"),
        ("ledger", "the store's own", "default"),
        ("reported_by", "kim", "config file"),
        ("zone", "UTC", "default"),
        ("max_verification_age", "none", "default"),
    ]
    assert found.is_there
    _write(home, store="/conf")
    assert shown(home, Path("/default"), "root").values[0].text == "/conf"


def test_an_option_wins_over_the_environment_and_that_over_the_file(
    keeper: Keeper, home: dict[str, str], tmp_path: Path
) -> None:
    """Of the store; the last is in the user's data folder."""
    _write(home, store=str(tmp_path / "of-config"))
    env = {**home, "BUNDLEKEEPER_STORE": "", "XDG_DATA_HOME": str(tmp_path / "data")}

    def asked(*words: str, **more: str) -> str:
        where: str = keeper("store", "list", *words, "--json", env={**env, **more}).json["error"]["where"]
        return where

    assert asked("--store", "of-option", BUNDLEKEEPER_STORE="of-environment") == "of-option"
    assert asked(BUNDLEKEEPER_STORE="of-environment") == "of-environment"
    assert asked() == str(tmp_path / "of-config")
    config_path(home).unlink()
    assert asked() == str(tmp_path / "data/bundlekeeper/store")


def test_who_reports_and_the_zone_come_from_the_file(keeper: Keeper, home: dict[str, str], tmp_path: Path) -> None:
    """Where neither the option nor the inventory states them."""
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("# read_at = 2026-11-20\nsite,domain,kind,serial,active\nholm,holm-a,bios,B1,6.0.1\n")
    assert keeper("inventory", "load", sheet, env=home).status == 2  # nothing states the zone
    _write(home, reported_by="kim", zone="+02:00")
    assert keeper("inventory", "load", sheet, env=home).status == 0
    assert keeper("observe", "B1", "--active", "6.0.1", env=home).status == 0
    assert keeper("observe", "B1", "--active", "6.0.1", "--reported-by", "lee", env=home).status == 0
    events = [row["event"] for row in keeper("where", "B1", "--history", "--json", env=home).json["history"]]
    assert {event["reported_by"] for event in events} == {"kim", "lee"}
    assert {event["zone"] for event in events} == {"+02:00"}
    states_its_own = keeper("inventory", "load", MARRAM, "--dry-run", env=home)
    assert states_its_own.status == 0


def test_an_age_counts_where_the_stores_own_settings_state_none(office: Keeper, tmp_path: Path) -> None:
    """Two days after the bundles were verified."""
    settings = tmp_path / "store/store.toml"
    later = datetime.now(UTC) + timedelta(days=2)

    def codes(age: str) -> set[str]:
        config = UserConfig(max_verification_age=age)
        caller = Caller(lambda: later, later.date, lambda _: None, config=lambda: config)
        with Session(tmp_path / "store", caller) as session:
            return {found.code for found in store_list(session).findings}

    assert "stale-verification" not in codes("")
    assert "stale-verification" in codes("1d")
    settings.write_text('store = 1\nmax_verification_age = "90d"\n', encoding="utf-8")
    assert "stale-verification" not in codes("1d")
    settings.write_text("store = 1\n", encoding="utf-8")
    assert "stale-verification" in codes("1d")
