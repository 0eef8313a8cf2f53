"""The house's rules, held by reading the source: arrows, sizes, docstrings, documented words."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Mapping, Set
from functools import cache
from pathlib import Path

import pytest

from bundlekeeper.cli.screen.help import EXIT_STATUSES, root_help
from bundlekeeper.findings import CODES
from tests.kits.sure import some

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "bundlekeeper"
HANDBOOK = sorted((PACKAGE / "handbook").glob("*.md"))
SOURCES = sorted(PACKAGE.rglob("*.py"))

# Floor -> how high it stands; an import goes to a lower one. Folders on one floor never import each other.
FLOORS = {
    "errors": 0,
    "frozen": 0,
    "findings": 1,
    "formats": 2,
    "model": 3,
    "planning": 4,
    "verification": 4,
    "reports": 4,
    "store": 5,
    "ledger": 5,
    "media": 6,
    "links": 6,
    "jobs": 7,
    "demo": 8,
    "cli": 9,
    "__main__": 10,
}
REPORTS_MAY = {"errors", "findings", "formats", "frozen", "model", "reports"}
PURE = {"model", "planning"}
NOT_PURE = {"os", "pathlib", "sqlite3", "socket", "subprocess", "time", "shutil", "tempfile", "httpx", "rich", "typer"}
HEAVY = {"pydantic", "httpx", "cryptography", "jinja2", "rich", "typer", "platformdirs"}
MODULES_A_FOLDER = 15
PARAMETERS = 12


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


@pytest.fixture(scope="module", autouse=True)
def forgotten() -> Iterator[None]:
    """Every node of every module is much for the collector to go through in all later tests."""
    yield
    _tree.cache_clear()


def _floor(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _module(path: Path) -> str:
    parts = list(path.relative_to(ROOT).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {_module(path): path for path in SOURCES}


@cache
def _imports(path: Path, *, typing: bool = False) -> tuple[tuple[str, int, bool], ...]:
    """Every imported module with its line and whether it stands at the top level; `typing` adds what types ask for."""
    return tuple(
        (name, line, is_top) for name, line, is_top, for_types in _read_imports(path) if typing or not for_types
    )


@cache
def _read_imports(path: Path) -> tuple[tuple[str, int, bool, bool], ...]:
    tree, found = _tree(path), []
    for_types = {
        id(child)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for child in ast.walk(node)
    }
    top = {id(statement) for statement in tree.body}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: relative import"
            whole = [f"{node.module}.{alias.name}" for alias in node.names]
            names = [name if name in MODULES else node.module for name in whole]
        else:
            continue
        found += [(name, node.lineno, id(node) in top, id(node) in for_types) for name in names]
    return tuple(found)


@cache
def _ours(path: Path) -> frozenset[str]:
    """The modules of ours that a module imports: at the top, in a function, for its types only."""
    return frozenset(name for name, _, _ in _imports(path, typing=True) if name in MODULES) - {_module(path)}


def _circles(arrows: Mapping[str, Set[str]]) -> list[list[str]]:
    """Each circle of the graph once, as the way round."""
    found: list[list[str]] = []
    done: set[str] = set()

    def visit(name: str, above: list[str]) -> None:
        if name in above:
            found.append([*above[above.index(name) :], name])
            return
        if name not in done:
            for other in sorted(arrows.get(name, ())):
                visit(other, [*above, name])
            done.add(name)

    for name in sorted(arrows):
        visit(name, [])
    return found


def test_a_circle_is_found() -> None:
    """The rule's own reader."""
    assert _circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == [["b", "c", "b"]]


def _may_import(floor: str, other: str) -> bool:
    if other == "reports" and floor not in {"reports", "cli", "jobs"}:
        return False
    if floor == "cli" and other == "demo":
        return True
    return other in REPORTS_MAY if floor == "reports" else other == floor or FLOORS[other] < FLOORS[floor]


def test_arrows_point_down() -> None:
    """A floor imports lower floors only, lazily and for types, too; reports know the model and nothing else."""
    wrong = [
        f"{path.relative_to(PACKAGE)}: {name}"
        for path in some(SOURCES)
        for name in sorted(_ours(path) - {"bundlekeeper"})
        if not _may_import(_floor(path), name.split(".")[1])
    ]
    assert wrong == []


def test_no_module_reaches_itself() -> None:
    """No circle of imports, counting lazy and type-only ones."""
    assert _circles({name: _ours(path) for name, path in MODULES.items()}) == []


def test_arrows_between_folders_run_one_way() -> None:
    """A folder's own modules and its subfolders count apart; no two folders import each other, by any way round."""
    arrows: dict[str, set[str]] = {}
    for path in SOURCES:
        folder = path.parent.relative_to(PACKAGE).as_posix()
        others = {MODULES[name].parent.relative_to(PACKAGE).as_posix() for name in _ours(path)}
        if folder != ".":
            arrows.setdefault(folder, set()).update(others - {folder, "."})
    assert _circles(arrows) == []


def test_folders_are_small_and_say_what_lives_there() -> None:
    """At most 15 modules a folder; its __init__.py says in two lines what lives there and what may not."""
    wrong = []
    for folder in sorted({path.parent for path in SOURCES} - {PACKAGE}):
        name = folder.relative_to(PACKAGE).as_posix()
        modules = [path for path in folder.glob("*.py") if path.name != "__init__.py"]
        if len(modules) > MODULES_A_FOLDER:
            wrong.append(f"{name} has {len(modules)} modules")
        message = ast.get_docstring(ast.parse((folder / "__init__.py").read_text("utf-8"))) or ""
        lines = [line for line in message.splitlines() if line]
        if len(lines) != 2:
            wrong.append(f"{name}/__init__.py says it in {len(lines)} lines")
    assert wrong == []


def test_a_public_class_name_stands_once() -> None:
    """One name, one meaning."""
    places: dict[str, list[str]] = {}
    for name, path in MODULES.items():
        for node in _tree(path).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places.setdefault(node.name, []).append(name)
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


def test_no_file_repeats_its_folders_name() -> None:
    wrong = [
        str(path.relative_to(PACKAGE))
        for path in some(SOURCES)
        for prefix in {path.parent.name, path.parent.name.removesuffix("s")}
        if path.stem == prefix or path.stem.startswith(f"{prefix}_")
    ]
    assert wrong == []


PRINTING = re.compile(r"\b(print\(|sys\.stdout|sys\.stderr|typer\.echo|Console\()")
#: verify.py stands alone on a medium, without us; the process's own beginning has no screen yet.
PRINTS = {"media/volume/verify.py", "__main__.py", "links/spreadsheet/reader.py"}


def test_only_the_screen_prints() -> None:
    places = {path.relative_to(PACKAGE).as_posix(): path for path in some(SOURCES)}
    printing = [
        f"{name}:{node.lineno}: {ast.unparse(node)}"
        for name, path in places.items()
        if name not in PRINTS and not name.startswith("cli/screen/") and PRINTING.search(path.read_text("utf-8"))
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.Call | ast.Attribute) and PRINTING.match(ast.unparse(node))
    ]
    assert printing == []


COMMAND_FILES = [path for path in SOURCES if path.is_relative_to(PACKAGE / "cli/commands")]
COMMANDS_MAY = ("cli", "jobs", "errors", "findings", "formats", "frozen", "model", "demo")
OPENING = re.compile(r"(^|\.)(open|read_bytes|read_text|write_bytes|write_text|read_bounded)$")


def test_commands_parse_call_a_job_and_show() -> None:
    """They open no store, read no file and judge nothing."""
    others = [
        f"{path.name}: {name}"
        for path in some(COMMAND_FILES)
        for name in sorted(_ours(path))
        if name != "bundlekeeper" and name.split(".")[1] not in COMMANDS_MAY
    ]
    assert others == []
    opening = [
        f"{path.name}:{node.lineno}: {ast.unparse(node.func)}"
        for path in COMMAND_FILES
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.Call) and OPENING.search(ast.unparse(node.func))
    ]
    assert opening == []


def test_no_function_takes_more_than_twelve_parameters() -> None:
    """But a command, whose parameters are its options."""
    too_many = [
        f"{path.name}:{node.lineno}: {node.name}"
        for path in some(SOURCES)
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.FunctionDef)
        and len([*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]) > PARAMETERS
        and not (path in COMMAND_FILES and not node.name.startswith("_"))
    ]
    assert too_many == []


CLOCK_OR_FILE = re.compile(r"\b(date\.today|datetime\.now|datetime\.utcnow|open)\(")


def test_cores_are_pure() -> None:
    """Model and planning do no I/O, know no clock, no terminal and no database."""
    pure = some(path for path in SOURCES if _floor(path) in PURE)
    imported = [
        f"{path}:{line}: a pure module imports {module}"
        for path in pure
        for module, line, _ in _imports(path)
        if module.split(".")[0] in NOT_PURE
    ]
    assert imported == []
    assert [f"{path} reads a clock or a file" for path in pure if CLOCK_OR_FILE.search(path.read_text("utf-8"))] == []


def _heavy_that_may(path: Path) -> set[str]:
    floors = {"cli": {"typer"}, "links": {"httpx"}, "verification": {"cryptography"}}
    models = {"model/manifest/types.py", "model/manifest/schema.py"}
    return floors.get(_floor(path), set()) | ({"pydantic"} if path.relative_to(PACKAGE).as_posix() in models else set())


def test_heavy_libraries_stand_where_they_are_used() -> None:
    """Asking where something is must not pay for pydantic, httpx or cryptography."""
    at_top = [
        f"{path}:{line}: {module}"
        for path in some(SOURCES)
        for module, line, is_top in _imports(path)
        if is_top and module.split(".")[0] in HEAVY - _heavy_that_may(path)
    ]
    assert at_top == []


TEST_FILES = sorted((ROOT / "tests").rglob("*.py"))
#: What has no folder of the same name in the package: the tests' own tools, and faults that no folder answers for.
OWN_TESTS = {
    "kits",
    "house",
    "faults",
    "bench",
    "fuzz",
    "guards",
    "flips",
    "mutants",
    "answers",
    "optimum",
    "page_speed",
    "nights",
}


def test_tests_stand_in_the_same_tree() -> None:
    folders = {path.parent.relative_to(ROOT / "tests").as_posix() for path in TEST_FILES} - {"."}
    ours = {path.parent.relative_to(PACKAGE).as_posix() for path in SOURCES}
    assert {folder for folder in folders if folder.split("/")[0] not in OWN_TESTS} <= ours
    assert [path.name for path in (ROOT / "tests").glob("*.py")] == ["__init__.py", "conftest.py"] or {
        path.name for path in (ROOT / "tests").glob("*.py")
    } == {"__init__.py", "conftest.py"}


IMPORT = re.compile(r"^[ \t]*from tests\b[\w.]* import (\([^)]*\)|.*)", re.MULTILINE)


def _other_tests(text: str) -> list[str]:
    """The other tests that a module imports, or from which it does; most have no such word and are not parsed."""
    if not any("test_" in found[0] for found in IMPORT.finditer(text)):
        return []
    whole = [
        f"{node.module}.{alias.name}"
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("tests")
        for alias in node.names
    ]
    return [name for name in whole if ".test_" in name]


def test_no_test_imports_another() -> None:
    """What several tests share stands in tests/kits."""
    ways = ("tests.model.test_a import b", "tests.model import test_a", "tests.model import (\n    b,\n    test_a,\n)")
    assert all(_other_tests(f"def f():\n    from {way}\n") for way in ways)
    found = {str(path.relative_to(ROOT)): _other_tests(path.read_text("utf-8")) for path in some(TEST_FILES)}
    assert {place: names for place, names in found.items() if names} == {}


CITED = re.compile(r"(?<![\w/.<*-])([A-Za-z]\w*\.md)\b")


def test_no_document_is_cited_that_is_not_in_the_tree() -> None:
    """A fact is stated itself, with its published source or "common practice"."""
    there = {"README.md", "DEVELOPERS.md", *(path.name for path in HANDBOOK)}
    listed = [*SOURCES, *TEST_FILES, ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "pyproject.toml"]
    cited = {
        f"{path.relative_to(ROOT)}: {name}"
        for path in listed
        for name in CITED.findall(path.read_text("utf-8"))
        if name not in there
    }
    assert cited == set()


def test_only_one_folder_imports_httpx() -> None:
    """Httpx, imported in one folder only."""
    users = {_floor(p) for p in SOURCES for module, _, _ in _imports(p) if module.split(".")[0] == "httpx"}
    assert users <= {"links"}


def test_only_one_module_imports_jinja() -> None:
    """Where autoescape is on, and every value is made visible."""
    users = {p.name for p in SOURCES for module, _, _ in _imports(p) if module.split(".")[0] == "jinja2"}
    assert users == {"pages.py"}


def test_sizes_and_docstrings() -> None:
    """Ours: modules ... max 500 lines; functions ... max 60; everything annotated."""
    assert [f"{path}:{problem}" for path in some(SOURCES) for problem in _size_problems(path)] == []


def _size_problems(path: Path) -> Iterator[str]:
    tree = _tree(path)
    if len(path.read_text("utf-8").splitlines()) > 500:
        yield " over 500 lines"
    if path.name != "__init__.py" and not ast.get_docstring(tree):
        yield " no docstring"
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            is_command = path in COMMAND_FILES and not node.name.startswith("_")  # its parameters are its options
            length = (node.end_lineno or 0) - (node.body[0].lineno if is_command else node.lineno) + 1
            if length > 60:
                yield f"{node.lineno}: {node.name} has {length} lines"
            if node.returns is None:
                yield f"{node.lineno}: {node.name} has no return annotation"
    for public in _public(tree.body):
        if not ast.get_docstring(public):
            yield f"{public.lineno}: {public.name} has no docstring"


def _public(body: list[ast.stmt]) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef]:
    """The public functions and classes of a module, and the public methods of its public classes."""
    for node in body:
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from _public(node.body)


def test_type_ignores_carry_code_and_reason() -> None:
    """`type: ignore` only with a code and a reason."""
    lines = [
        (f"{path}:{number}", line)
        for path in SOURCES
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1)
    ]
    for place, line in some((place, line) for place, line in lines if "type: ignore" in line):
        assert re.search(r"type: ignore\[[a-z-]+\]\s+#\s*\S", line), f"{place}: {line.strip()}"


def test_top_level_is_the_designs() -> None:
    """Top level, fixed."""
    fixed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "bundlekeeper",
        "manifests",
        "tests",
        "fixtures",
        "LICENSE",
    }
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout.split(
        "\n"
    )
    if not any(listed):
        pytest.skip("not a git checkout")
    tops = {name.split("/")[0] for name in listed if name}
    assert {t for t in tops if not t.startswith(".")} <= fixed


def test_every_list_of_codes_is_in_the_handbook() -> None:
    """Whole: code, level and meaning. Every list of the package is one of the handbook's."""
    from bundlekeeper.jobs.handbook.parts import codes
    from bundlekeeper.links.redfish.types import READ_CODES
    from bundlekeeper.links.redfish.user_map import MAP_CODES
    from bundlekeeper.model.inventory.cells import INVENTORY_CODES
    from bundlekeeper.model.inventory.column_map import COLUMN_CODES
    from bundlekeeper.model.lint import LINT_CODES
    from bundlekeeper.model.manifest.checksum_list import LIST_CODES
    from bundlekeeper.model.manifest.draft import CONFIRM_CODES, FILL_CODES

    lists = (
        CODES,
        LINT_CODES,
        CONFIRM_CODES,
        FILL_CODES,
        LIST_CODES,
        INVENTORY_CODES,
        COLUMN_CODES,
        READ_CODES,
        MAP_CODES,
    )
    due = {(name, code.level.value, code.meaning) for codes in lists for name, code in codes.items()}
    rows = re.findall(r"^\| `([a-z0-9-]+)` \| (error|warning|note) \| (.*) \|$", codes(), re.MULTILINE)
    assert set(some(due)) == set(rows)


def test_every_exit_status_is_documented() -> None:
    """In the handbook's table, and each that an error of ours has."""
    from bundlekeeper import errors

    assert {status for status, _ in EXIT_STATUSES} == {errors.EXIT_OK, *errors.PRECEDENCE}
    assert "{{exit}}" in (PACKAGE / "handbook/exit.md").read_text("utf-8")
    assert "Usage: bundlekeeper" in root_help()


BOUND = re.compile(r"^_?(MAX_[A-Z_]*BYTES|([A-Z_]*_)?LIMIT)$")
#: Numbers that bound no input: of ISO 9660, of a medium's capacity.
OTHER_BYTES = {"media/writing/iso.py", "model/media/capacity.py", "media/volume/verify.py", "formats/limits.py"}


def test_the_bounds_of_inputs_stand_in_one_place() -> None:
    """In formats/limits.py, each with its reason."""
    text = (PACKAGE / "formats/limits.py").read_text("utf-8")
    numbers = [line for line in text.splitlines() if re.match(r"[A-Z_]+ = ", line)]
    assert [line for line in numbers if "#" not in line and "LEDGER_EVENTS" not in line] == []
    elsewhere = [
        f"{path.relative_to(PACKAGE)}: {target.id}"
        for path in SOURCES
        if path.relative_to(PACKAGE).as_posix() not in OTHER_BYTES
        for node in _tree(path).body
        if isinstance(node, ast.Assign) and not isinstance(node.value, ast.Attribute)
        for target in node.targets
        if isinstance(target, ast.Name) and BOUND.match(target.id)
    ]
    assert elsewhere == []
