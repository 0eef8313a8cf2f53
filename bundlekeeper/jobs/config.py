"""The user's config file: where it is, what it states, and which values hold, each with where it comes from.

Rules: a file that somebody else may write is refused, because it names the store and the person; no file is no error.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from pathlib import Path

from bundlekeeper.errors import RefusedError, UnfinishedError
from bundlekeeper.formats.escape import shell_word
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.config import KEYS, UserConfig, read_config

NAME = "config.toml"
STORE = "BUNDLEKEEPER_STORE"


@dataclass(frozen=True, slots=True)
class ConfigValue:
    """One value that holds where no option says otherwise, and where it comes from."""

    key: str
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class ConfigShown:
    """The config file and the values that hold."""

    path: Path
    is_there: bool
    values: tuple[ConfigValue, ...]


def config_path(environment: Mapping[str, str]) -> Path:
    """Where the user's config file is: as platformdirs says on Linux, whose import would cost each command 8 ms.

    A path that is not absolute is ignored (XDG Base Directory Specification 0.8).
    """
    base = environment.get("XDG_CONFIG_HOME", "")
    folder = Path(base) if base.startswith("/") else Path("~/.config").expanduser()
    return folder / "bundlekeeper" / NAME


def user_config(environment: Mapping[str, str]) -> UserConfig:
    """What the config file states; nothing where there is none.

    Raises InputError for what is wrong in it, RefusedError where somebody else may write it, UnfinishedError.
    """
    from bundlekeeper.formats import limits
    from bundlekeeper.jobs.inputs import read_bounded

    path = config_path(environment)
    try:
        status = path.stat()
    except OSError as error:
        if path.is_symlink():
            message = f"the config file is a link that leads to nothing: {error.strerror}"
            hint = "is what it leads to mounted? Else remove the link"
            raise UnfinishedError(message, where=str(path), hint=hint) from error
        # none, or a folder of the user's that may not be entered: then it states nothing to us either
        return UserConfig()
    _insist_on_own(path, status)
    return read_config(read_bounded(str(path), limits.STORE_SETTINGS_BYTES, "the config file"), where=str(path))


def _insist_on_own(path: Path, status: os.stat_result) -> None:
    if status.st_uid not in (0, os.geteuid()):
        raise RefusedError("the config file belongs to somebody else", where=str(path), hint="remove it, or chown it")
    if status.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise RefusedError(
            "others may write the config file", where=str(path), hint=f"chmod go-w {shell_word(str(path))}"
        )


def shown(environment: Mapping[str, str], default_store: Path, user_name: str) -> ConfigShown:
    """The values that hold without options, each with its source. Raises as `user_config`."""
    path, config = config_path(environment), user_config(environment)
    defaults = {
        "store": str(default_store),
        "ledger": "the store's own",
        "reported_by": user_name,
        "zone": "UTC",
        "max_verification_age": "",
    }

    def value(key: str) -> ConfigValue:
        if key == "store" and environment.get(STORE):
            return ConfigValue(key, environment[STORE], f"environment ({STORE})")
        stated = getattr(config, key)
        return ConfigValue(key, stated or defaults[key] or "none", "config file" if stated else "default")

    return ConfigShown(path, path.is_file(), tuple(value(key) for key in KEYS))
