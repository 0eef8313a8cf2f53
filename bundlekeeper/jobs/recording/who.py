"""Who reports what is recorded, when nobody is named: the user who runs the command."""

from __future__ import annotations

import getpass

from bundlekeeper.errors import InputError


def reporter(option: str | None, default: str = "") -> str:
    """The name given, else the one of the config file, else the login name. Raises InputError when there is none."""
    if option is not None:
        if not option.strip():
            raise InputError("--reported-by is empty", hint="name the person who reports this")
        return option
    if default:
        return default
    try:
        return getpass.getuser()
    except (KeyError, OSError) as error:
        raise InputError(
            "it is not known who reports this: the process has no user name", hint="name the person with --reported-by"
        ) from error
