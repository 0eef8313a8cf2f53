"""The user's own defaults, from a small file of TOML: which store, who reports, which zone, which age is too old.

    store = "/srv/firmware"          # a whole path, or one from ~
    ledger = "postgresql://db.holm/firmware"   # a shared ledger, in place of the store's own
    reported_by = "kim"
    zone = "Etc/GMT-1"               # of days where neither a file nor a reading states one
    max_verification_age = "30d"     # as in store.toml, for a store whose own store.toml states none

Rules: an option wins over the environment, the environment over this file, this file over the default; a file that
cannot be read whole is an error with every problem, never half used; readers are imported only where there is a file,
which most commands of most users do not have. TOML 1.0.0, by tomllib.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from bundlekeeper.errors import InputError
from bundlekeeper.frozen import dataclass


@dataclass(frozen=True, slots=True)
class UserConfig:
    """What one user's config file states; empty where it states nothing."""

    store: str = ""
    ledger: str = ""
    reported_by: str = ""
    zone: str = ""
    max_verification_age: str = ""

    @property
    def max_verification_age_s(self) -> int | None:
        """The age in seconds, None for none."""
        if not self.max_verification_age:
            return None
        from bundlekeeper.model.store_settings import verification_age_s

        return verification_age_s(self.max_verification_age)


@dataclass(frozen=True, slots=True)
class ConfigKey:
    """One key of the config file: what it means, and what is wrong with a text as its value (None: nothing)."""

    meaning: str
    problem: Callable[[str], tuple[str, str] | None]


def _path(text: str) -> tuple[str, str] | None:
    if text.startswith(("/", "~/")) and "\0" not in text:
        return None
    return f"{text!r} is no whole path", 'write it from / or ~/, like "/srv/firmware"'


def _name(text: str) -> tuple[str, str] | None:
    return None if text.strip() and text.isprintable() else (f"{text!r} is no name", 'like "kim"')


def _zone(text: str) -> tuple[str, str] | None:
    from bundlekeeper.formats import moments

    try:
        moments.zone_of(text)
    except InputError as error:
        return error.message, error.hint
    return None


def _age(text: str) -> tuple[str, str] | None:
    from bundlekeeper.model.store_settings import misread_age

    return misread_age(text)


def _ledger(text: str) -> tuple[str, str] | None:
    from bundlekeeper.model.ledger_address import misread

    return misread(text)


KEYS: Mapping[str, ConfigKey] = {
    "store": ConfigKey("the store's folder, a whole path or one from `~/`", _path),
    "ledger": ConfigKey("the address of a shared ledger, without a password", _ledger),
    "reported_by": ConfigKey("who reports what is recorded", _name),
    "zone": ConfigKey("the time zone of days where neither a file nor a reading of the site states one", _zone),
    "max_verification_age": ConfigKey(
        'how old a verification may be (`"30d"`), for a store whose own `store.toml` states none', _age
    ),
}


def read_config(data: bytes, *, where: str) -> UserConfig:
    """Read the config file's bytes; `where` is its name in messages.

    Raises InputError with every problem, each a finding with its line, column and caret.
    """
    from bundlekeeper.formats import limits
    from bundlekeeper.formats.escape import meant
    from bundlekeeper.formats.problems_in_text import Misread, placed
    from bundlekeeper.formats.text_file import shown
    from bundlekeeper.formats.toml_read import load

    source, raw = load(data, name=where, max_bytes=limits.STORE_SETTINGS_BYTES)
    problems: list[Misread] = []
    for key, value in raw.items():
        if key not in KEYS:
            problems.append(Misread("key-unknown", (key,), f"there is no key {shown(key)}", meant(key, [*KEYS]), True))
        elif not isinstance(value, str):
            message = f"{key} takes a text, not {shown(value)}"
            problems.append(Misread("wrong-type", (key,), message, "write it in quotes"))
        elif wrong := KEYS[key].problem(value):
            problems.append(Misread("bad-value", (key,), f"{key}: {wrong[0]}", wrong[1]))
    if problems:
        rows = placed(source, problems)
        message = f"{len(rows)} problems" if len(rows) > 1 else rows[0].message
        hint = "fix each of them, or remove the file" if len(rows) > 1 else rows[0].hint
        error = f"the config file cannot be used: {message}"
        raise InputError(error, hint=hint, where=rows[0].where, problems=rows)
    return UserConfig(**raw)
