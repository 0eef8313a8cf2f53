"""The form of an answer: one value, chosen once by the options of a command."""

from __future__ import annotations

from enum import StrEnum

from bundlekeeper.errors import InputError


class OutputForm(StrEnum):
    """How an answer is written; each value but text is the option that asks for it."""

    TEXT = "text"
    JSON = "json"
    PICTURE = "picture"


def form_of(**asked: bool) -> OutputForm:
    """The form that is asked for, by the options' names; text where none is. Raises InputError where several are."""
    wanted = [OutputForm(name) for name, is_asked in asked.items() if is_asked]
    if len(wanted) > 1:
        *others, last = (f"--{name}" for name in asked)
        raise InputError(f"only one of {', '.join(others)} and {last} at once")
    return wanted[0] if wanted else OutputForm.TEXT
