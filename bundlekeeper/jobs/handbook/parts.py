"""The generated parts of the handbook, as Markdown: codes, exit statuses, keys, kinds.

Rules: each is made from the declaration that the program itself uses; nothing here lists a code or a key again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import KeeperError
from bundlekeeper.formats.escape import visible
from bundlekeeper.jobs.handbook.codes import code_lists
from bundlekeeper.jobs.handbook.topics import Parts

if TYPE_CHECKING:
    from pydantic import BaseModel

    from bundlekeeper.jobs.config import ConfigShown

JsonSchema = dict[str, Any]


def parts(exit_statuses: Sequence[tuple[int, str]], config: Callable[[], ConfigShown]) -> Parts:
    """What makes each part; `exit_statuses` are the command line's own, with their meanings,
    `config` shows the user's defaults."""
    return {
        "codes": codes,
        "exit": lambda: table(("status", "means"), ((str(status), means) for status, means in exit_statuses)),
        "kinds": kinds,
        "never": never,
        "manifest-keys": manifest_keys,
        "inventory-keys": inventory_keys,
        "map-keys": map_keys,
        "column-map-keys": column_map_keys,
        "recorded-columns": recorded_columns,
        "store-keys": store_keys,
        "config-keys": config_keys,
        "config": lambda: _config(config),
    }


def _config(config: Callable[[], ConfigShown]) -> str:
    """Which file is read, and the values that hold, each with where it comes from; or why none hold."""
    try:
        shown = config()
    except KeeperError as error:
        return f"`{visible(error.where)}`: {visible(error.message)}. {visible(error.hint)}"
    rows = ((f"`{value.key}`", visible(value.text), value.source) for value in shown.values)
    file = f"The config file is `{visible(str(shown.path))}`{'' if shown.is_there else ' (there is none)'}."
    return f"{file}\n\n{table(('key', 'value', 'from'), rows)}"


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table. A vertical bar in a cell is escaped."""
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in row)} |" for row in lines)


def codes() -> str:
    """A table of each list of codes: code, level, meaning."""
    return "\n\n".join(
        f"{codes.reported_by[0].upper()}{codes.reported_by[1:]}:\n\n"
        + table(
            ("code", "level", "meaning"),
            ((f"`{name}`", code.level.value, code.meaning) for name, code in codes.codes.items()),
        )
        for codes in code_lists()
    )


def never() -> str:
    """The codes that nobody can accept."""
    from bundlekeeper.model.acceptance import NEVER

    return ", ".join(f"`{code}`" for code in sorted(NEVER))


def kinds() -> str:
    """The kinds of component with the defaults of each."""
    from bundlekeeper.model.vocabulary import KINDS

    def also(name: str) -> str:
        facts = KINDS[name]
        words = [key for key in ("pair", "ahead", "lists_models", "upload") if getattr(facts, key)]
        return ", ".join([f"`{word}`" for word in words] + ["in a server"] * facts.of_server)

    writing = table(
        ("kind", "method", "applied by", "way back"),
        ((f"`{name}`", facts.method, facts.applied_by, facts.back) for name, facts in KINDS.items()),
    )
    restarting = table(
        ("kind", "down", "turn", "minutes", "also"),
        (
            (f"`{name}`", facts.down, "first" if facts.ahead else str(facts.turn), str(facts.minutes), also(name))
            for name, facts in KINDS.items()
        ),
    )
    return f"{writing}\n\n{restarting}"


def manifest_keys() -> str:
    """A table of keys for each table of a manifest, from the types that read it."""
    from bundlekeeper.model.manifest import types

    models: dict[str, type[BaseModel]] = {
        "The file itself": types.Manifest,
        "`[versions]`": types.Versions,
        "`[[bundle]]`": types.Bundle,
        "`signature` of a bundle": types.Signature,
        "`images` of a bundle": types.Image,
        "`[kind.NAME]`, a kind of your own, or over the defaults below": types.KindRule,
        "`[[release]]`": types.Release,
        "`[[jump]]`": types.Jump,
        "`[[compatible]]`": types.Compatible,
        "`what`, `when`, `need` of a rule": types.RuleSubject,
    }
    whole = types.Manifest.model_json_schema()
    schemas = {**whole["$defs"], types.Manifest.__name__: whole}
    return "\n\n".join(
        f"{title}:\n\n{table(('key', 'what it is'), _keys(model, schemas))}" for title, model in models.items()
    )


def _keys(model: type[BaseModel], schemas: JsonSchema) -> Iterator[tuple[str, str]]:
    properties = schemas[model.__name__]["properties"]
    for name, field in model.model_fields.items():
        if name == "note":
            continue
        key = field.alias or name
        words = [f"`{word}`" for word in _words(properties[key], schemas)]
        says = [field.description or "", ", ".join(words)]
        required = " (required)" if field.is_required() else ""
        yield f"`{key}`", ": ".join(text for text in says if text) + required


def _words(schema: JsonSchema, schemas: JsonSchema) -> list[str]:
    """The closed list of words that a value has, if it has one; of an array, those of its values."""
    if "$ref" in schema:
        return _words(schemas.get(schema["$ref"].rpartition("/")[2], {}), schemas)
    found = list(schema.get("enum", ()))
    items = [schema["items"]] if "items" in schema else []
    for inner in (*schema.get("anyOf", ()), *schema.get("allOf", ()), *items):
        found += _words(inner, schemas)
    return found


def config_keys() -> str:
    """The keys of the config file."""
    from bundlekeeper.model.config import KEYS

    return _explained({name: key.meaning for name, key in KEYS.items()})


def inventory_keys() -> str:
    """A table of keys for each table of an inventory."""
    from bundlekeeper.model.inventory import cells, explained, types

    header = {"inventory": f"the format, {types.FORMAT}", **explained.HEADER}
    tables: list[tuple[str, Mapping[str, str], Collection[str]]] = [("The file itself", header, ("inventory",))]
    tables += [(f"`[[{name}]]`", explained.explained(name), cells.REQUIRED[name]) for name in cells.REQUIRED]
    return "\n\n".join(f"{title}:\n\n{_explained(keys, required)}" for title, keys, required in tables)


def map_keys() -> str:
    """The keys of a map of what a management service has."""
    from bundlekeeper.links.redfish import user_map

    entry = _explained({**user_map.MATCH, **user_map.GIVE, **user_map.OTHERS})
    return f"{_explained({'redfish': f'the format, {user_map.FORMAT}'}, ('redfish',))}\n\n`[[map]]`:\n\n{entry}"


def column_map_keys() -> str:
    """What a map of a sheet's columns has."""
    from bundlekeeper.model.inventory.column_map import MAP_KEYS

    return _explained(MAP_KEYS, ("columns",))


def recorded_columns() -> str:
    """The columns of a file of what was done."""
    from bundlekeeper.jobs.recording.statements import COLUMNS

    return ", ".join(f"`{name}`" for name in COLUMNS)


def store_keys() -> str:
    """The keys of store.toml."""
    from bundlekeeper.model.store_settings import FORMAT, KEYS

    meanings = {"store": f"the format, {FORMAT}", **{name: key.meaning for name, key in KEYS.items()}}
    return _explained(meanings, ("store",))


def _explained(meanings: Mapping[str, str], required: Collection[str] = ()) -> str:
    """A table of keys, each with its meaning."""
    rows = ((f"`{key}`", f"{what}{' (required)' if key in required else ''}") for key, what in meanings.items())
    return table(("key", "what it is"), rows)
