"""The handbook's reference is the program: each command's options and JSON fields, and each key of an input file.

What commands print is seen by running them; a field that was never printed says in its row when it is ("only …").
"""

from __future__ import annotations

import importlib
import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import fields
from typing import Any

import pytest
import typer

from bundlekeeper.cli.screen.help import COMMANDS, WITHOUT_STORE
from tests.kits import reference_tables
from tests.kits.printed_json import FieldPath, FieldPaths, PrintedJson, printed
from tests.kits.reference_tables import REST, ReferencePart, options_in, reference, spans, topic_file
from tests.kits.sure import some

COMMON = {
    "--store",
    "--details",
    "--json",
    "--quiet",
    "-q",
    "--help",
    "-h",
    "--plain",
    "--debug",
    "--ledger-at",
    "--offline",
}
ALWAYS = {"schema", "ok", "findings", "error"}
SHARED = {"manifest", "manifest_signature"}  # documented at the beginning; a command's part names them


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> PrintedJson:
    return printed(tmp_path_factory.mktemp("reference") / "tour")


def _commands() -> dict[str, set[str]]:
    """Every command, and every option of it."""
    app = typer.Typer(add_completion=False, rich_markup_mode=None)
    for module in dict.fromkeys(module for module, _ in COMMANDS.values()):
        importlib.import_module(module).register(app)
    return dict(_walk(typer.main.get_command(app), ()))


def _walk(command: Any, words: tuple[str, ...]) -> Iterator[tuple[str, set[str]]]:
    if hasattr(command, "commands"):
        for name, own in command.commands.items():
            yield from _walk(own, (*words, name))
    else:
        options = [p for p in command.params if p.param_type_name == "option"]
        yield " ".join(words), {name for option in options for name in (*option.opts, *option.secondary_opts)}


OPTIONS = _commands()
START, *PARTS = reference()


def _is(documented: FieldPath, path: FieldPath) -> bool:
    """Whether what is documented means this path: a name in capitals is any, `…` all that is beneath."""
    if documented[-1:] == (REST,):
        documented, path = documented[:-1], path[: len(documented) - 1]
    return len(documented) == len(path) and all(a == b or a.isupper() for a, b in zip(documented, path, strict=True))


def _option_problems(part: ReferencePart) -> list[str]:
    wrong = []
    for command in part.commands:
        documented = {option for row in part.of(command) for option in row.options}
        expected = OPTIONS[command] - COMMON
        wrong += [f"{command}: {option} is not documented" for option in expected - documented]
        wrong += [f"{command} has no {option}" for option in documented - expected]
    return wrong


def _field_problems(part: ReferencePart, seen: PrintedJson) -> list[str]:
    wrong = []
    for command in part.commands:
        rows = part.of(command)
        own = {path for row in rows for path in row.fields}
        documented = own | {path for row in START.rows for path in row.fields if path[:1] in own or path[0] in ALWAYS}
        wrong += [
            f"{command}: {'.'.join(path)} is not documented" for path in _undocumented(documented, seen.fields[command])
        ]
        for row in rows:
            if not re.search(r"\bonly\b", row.message):
                wrong += [f"{command} prints no {'.'.join(p)}" for p in row.fields if not _was_seen(p, seen, command)]
    return wrong


def _undocumented(documented: Iterable[FieldPath], found: FieldPaths) -> Iterator[FieldPath]:
    exact = {path for path in documented if path[-1] != REST and not any(name.isupper() for name in path)}
    loose = set(documented) - exact
    above = {path[:length] for path in documented for length in range(len(path))}
    for path, sorts in found.items():  # an object, an array or null is reported where something in it is
        is_documented = path in exact or any(_is(one, path) for one in loose)
        has_documented = path in above or any(_is(one[: len(path)], path) for one in loose)
        if not is_documented and ("value" in sorts or not has_documented):
            yield path


def _was_seen(path: FieldPath, seen: PrintedJson, command: str) -> bool:
    while path[-1] in ("[]", REST):  # an array may be empty
        path = path[:-1]
    return any(_is(path, one) for one in seen.fields[command])


def test_each_command_has_its_part() -> None:
    """And no part is about what is no command."""
    assert sorted(command for part in PARTS for command in part.commands) == sorted(some(OPTIONS))


def test_each_option_is_documented_where_its_command_is() -> None:
    """And none that the command does not have; the words of another command's may be mentioned."""
    assert [problem for part in some(PARTS) for problem in _option_problems(part)] == []
    known = {option for options in OPTIONS.values() for option in options} | COMMON
    assert [(part.commands, option) for part in PARTS for option in options_in(part.text) if option not in known] == []


def test_options_of_all_commands_are_documented_once() -> None:
    """With the commands that do not have them, or, where they are few, those that do."""
    assert {option for row in START.rows for option in row.options} == COMMON
    for row in (row for row in START.rows if row.options & {"--store", "--json", "--quiet"}):
        named = {span for span in spans(row.message) if span in OPTIONS}
        have = {command for command in OPTIONS if row.options <= OPTIONS[command]}
        assert named == (have if "alone" in row.message else OPTIONS.keys() - have), row.options


def test_the_commands_that_use_no_store_are_those_without_the_option() -> None:
    """Into every other command that a hint names, the store of the command line is written."""
    assert {command for command, options in OPTIONS.items() if "--store" not in options} == WITHOUT_STORE


def test_each_command_was_seen_to_answer(seen: PrintedJson) -> None:
    """Else nothing would be known of its fields."""
    assert seen.whole == {command for command, options in OPTIONS.items() if "--json" in options}


def test_each_field_that_is_printed_is_documented_where_its_command_is(seen: PrintedJson) -> None:
    """And each that is reported is printed, or its row says when it is."""
    assert [problem for part in some(PARTS) for problem in _field_problems(part, seen)] == []


def test_fields_of_all_commands_are_printed(seen: PrintedJson) -> None:
    """Those that the reference has at its beginning."""
    documented = {path for row in START.rows for path in row.fields}
    assert {path[0] for path in documented} == ALWAYS | SHARED
    assert [path for path in documented if not any(_was_seen(path, seen, command) for command in seen.whole)] == []


def test_a_row_that_is_removed_is_missed(seen: PrintedJson) -> None:
    """Every row of every part."""
    assert [part.commands for part in PARTS if not part.rows] == [("completion",)]  # which has no option of its own
    for part in some(PARTS):
        for row in part.rows:
            less = part.without(row)
            assert _option_problems(less) or _field_problems(less, seen), row.line


def test_what_is_not_there_is_no_option_and_no_field(seen: PrintedJson) -> None:
    """A row too many is seen, too."""
    text = reference_tables.REFERENCE.replace("| `subject`, ", "| `subject`, `colour`, ")
    check = next(
        part for part in reference(text.replace("| `--at DIR`, ", "| `--up DIR`, ")) if "verify" in part.commands
    )
    assert set(_option_problems(check)) == {"verify: --at is not documented", "verify has no --up"}
    assert _field_problems(check, seen) == ["verify prints no colour"]


def _example(topic: str, format_key: str) -> dict[str, Any]:
    """The TOML file in a topic that begins with its format."""
    found = [tomllib.loads(text) for text in re.findall(r"(?ms)^```toml\n(.*?)^```", topic_file(topic))]
    return next(example for example in found if format_key in example)


def _model_keys(model: Any) -> set[str]:
    return {field.alias or name for name, field in model.model_fields.items()} - {"note"}


def test_each_key_of_a_manifest_is_described_where_it_is_declared() -> None:
    """The handbook's tables and the JSON Schema print the descriptions; each table of the format has one."""
    from bundlekeeper.jobs.handbook.parts import manifest_keys
    from bundlekeeper.model.manifest import types

    base = types.Manifest.__bases__[0]
    models = [model for model in vars(types).values() if isinstance(model, type) and issubclass(model, base)]
    without = [f"{model.__name__}.{key}" for model in some(models) for key in _undescribed(model)]
    assert without == []
    printed = manifest_keys()
    for model in models:
        assert {f"| `{key}` |" for key in _model_keys(model)} <= set(re.findall(r"\| `[a-z0-9_]+` \|", printed)), model
    assert _model_keys(types.JumpWhat) == _model_keys(types.RuleSubject) - {"version"}
    assert printed.count("| key | what it is |") == len(models) - 2  # but the base, and what a jump is about


def _undescribed(model: Any) -> list[str]:
    return [name for name, field in model.model_fields.items() if not field.description]


def test_each_key_of_a_plan_by_hand_is_documented() -> None:
    from bundlekeeper.model.route import hand_plan

    documented = _example("plan", "plan")
    assert documented.keys() == {"plan", "domain", "release", "step", "without", "note"}
    step = {field.name for field in fields(hand_plan.PlanStep)} - {"digests"}  # which a route's own file has
    assert {key for row in documented["step"] for key in row} == step


def test_each_key_of_a_file_of_windows_is_documented() -> None:
    from bundlekeeper.model.route.dated_windows import DatedWindow

    documented = _example("route", "windows")
    assert documented.keys() == {"windows", "zone", "window"}
    assert {key for row in documented["window"] for key in row} == {f.name for f in fields(DatedWindow)} - {"zone"}
