"""Every code that something found can have: its list, its level, what it means, what to do, and an example.

Rules: level and meaning are the code lists' own; what to do and the example stand once, in the handbook's `codes.toml`,
and a test compares its keys with the lists; of one code in two lists only one text exists.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

from bundlekeeper.errors import EXIT_FOUND, EXIT_INPUT, EXIT_OK, EXIT_UNFINISHED, InputError
from bundlekeeper.findings import Code, Finding, Level, exit_status
from bundlekeeper.jobs.handbook.topics import handbook_file


@dataclass(frozen=True, slots=True)
class CodeList:
    """One list of codes: who reports them, and what a command does after an error of one of them.

    `stops` is true where an error of the list means that an input file is not used at all: exit status 2. An error of a
    manifest (`of_manifest`) means the same, but for `manifest lint`, which is there to report it.
    """

    reported_by: str
    codes: Mapping[str, Code]
    stops: bool = False
    of_manifest: bool = False


@dataclass(frozen=True, slots=True)
class CodeExample:
    """How a code comes about: a command in the tour's folder; or a line, and the same line as it should be.

    `text` is for what neither shows: in words.
    """

    command: str = ""
    wrong: str = ""
    right: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Explanation:
    """One code, whole. `exit_status` is of a run that finds nothing else, `effect` the same in words."""

    name: str
    code: Code
    lists: tuple[CodeList, ...]
    exit_status: int
    effect: str
    do: str
    example: CodeExample


def code_lists() -> tuple[CodeList, ...]:
    """Every list of codes, in the order of the handbook."""
    from bundlekeeper.findings import CODES
    from bundlekeeper.links.redfish.types import READ_CODES
    from bundlekeeper.links.redfish.user_map import MAP_CODES
    from bundlekeeper.model.inventory.cells import INVENTORY_CODES
    from bundlekeeper.model.inventory.column_map import COLUMN_CODES
    from bundlekeeper.model.lint import LINT_CODES
    from bundlekeeper.model.manifest.checksum_list import LIST_CODES
    from bundlekeeper.model.manifest.draft import CONFIRM_CODES, FILL_CODES

    return (
        CodeList("checks of a store, a medium, a domain or a plan", CODES),
        CodeList("`manifest lint`, each with file, line and column", LINT_CODES, of_manifest=True),
        CodeList("`manifest draft` and `manifest confirm`, of files and lists", {**FILL_CODES, **CONFIRM_CODES}),
        CodeList("`manifest draft` and `manifest confirm`, of a list's lines", LIST_CODES, stops=True),
        CodeList("`inventory load`, each with file and place", INVENTORY_CODES, stops=True),
        CodeList("`inventory load`, of a column map", COLUMN_CODES, stops=True),
        CodeList("`inventory read`, of a service", READ_CODES),
        CodeList("`inventory read`, of a map", MAP_CODES, stops=True),
    )


def explain(name: str) -> Explanation:
    """What a code means and what to do. Raises InputError for a word that is no code."""
    from bundlekeeper.model.lint import REFUSAL_CODES

    lists = tuple(codes for codes in code_lists() if name in codes.codes)
    if not lists:
        known = [code for codes in code_lists() for code in codes.codes]
        near = difflib.get_close_matches(name.lower(), known, n=1, cutoff=0.75)
        hint = f"did you mean: bundlekeeper explain {near[0]}" if near else "bundlekeeper help codes lists all of them"
        raise InputError(f"no such finding code: {name}", hint=hint)
    code = lists[0].codes[name]
    texts = explained()[name]
    stops = lists[0].stops or name in REFUSAL_CODES
    status = EXIT_INPUT if stops else exit_status([Finding(name, code.level, "", "")])
    example = CodeExample(**{key: value.strip("\n") for key, value in texts.items() if key not in {"do", "exit"}})
    effect = _effect(status, not stops and lists[0].of_manifest and code.level is Level.ERROR)
    effect = f"{effect} {texts['exit']}" if "exit" in texts else effect
    return Explanation(name, code, lists, status, effect, texts["do"], example)


def _effect(status: int, of_manifest: bool) -> str:
    if of_manifest:
        return "1 from manifest lint; 2 from every other command, which does not use the manifest."
    return {
        EXIT_OK: "none: a note changes nothing.",
        EXIT_FOUND: "1, unless something else makes it higher.",
        EXIT_INPUT: "2: the file is not used at all.",
        EXIT_UNFINISHED: "3: the rest is done, but something is not known.",
    }[status]


def explained() -> dict[str, dict[str, str]]:
    """The texts of all codes, as their file has them."""
    return tomllib.loads(handbook_file("codes.toml"))
