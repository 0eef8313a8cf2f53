"""The house's rules, held by reading the source: arrows, sizes, docstrings, documented words."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from bundlekeeper.cli.screen.help import COMMANDS, EXIT_STATUSES, root_help
from bundlekeeper.findings import CODES
from tests.kits.sure import some

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "bundlekeeper"
SOURCES = sorted(PACKAGE.rglob("*.py"))

# Folder -> folders it may import from. "Arrows point down only".
LAYERS = {
    "errors": 0,
    "formats": 1,
    "model": 2,
    "planning": 3,
    "proof": 3,
    "store": 4,
    "ledger": 4,
    "media": 5,
    "links": 5,
    "cli": 6,
}
PURE = {"model", "planning"}
NOT_PURE = {"os", "pathlib", "sqlite3", "socket", "subprocess", "time", "shutil", "tempfile", "httpx", "rich", "typer"}
HEAVY = {"pydantic", "httpx", "cryptography", "jinja2", "rich", "typer", "platformdirs"}


def _folder(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0].removesuffix(".py")


def _imports(path: Path) -> Iterator[tuple[str, int, bool]]:
    """Every imported module with its line and whether it stands at the top level (outside TYPE_CHECKING)."""
    tree = ast.parse(path.read_text("utf-8"))
    typing_only: set[int] = set()
    top = {id(statement) for statement in tree.body}
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            typing_only.update(id(child) for child in ast.walk(node))
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno, id(node) in top
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: relative import"
            yield node.module, node.lineno, id(node) in top
            if node.module == "bundlekeeper":
                for alias in node.names:
                    yield f"bundlekeeper.{alias.name}", node.lineno, id(node) in top


def _allowed(importer: str, imported: str) -> bool:
    if importer in {"__main__", "cli"}:
        return True
    if importer == imported:
        return True
    if importer == "reports":
        return imported in {"errors", "model"}
    if imported in {"reports", "cli", "__main__"}:
        return False
    if imported.startswith("__"):
        return True
    return LAYERS[imported] < LAYERS[importer]


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_arrows_point_down(path: Path) -> None:
    """Arrows point down only ... Folders within one brace never import each other; cli joins them."""
    importer = _folder(path)
    ours = [(module, line) for module, line, _ in _imports(path) if module.startswith("bundlekeeper.")]
    assert [f"{path}:{line}: {module}" for module, line in ours if not _allowed(importer, module.split(".")[1])] == []


@pytest.mark.parametrize("path", [p for p in SOURCES if _folder(p) in PURE], ids=lambda p: str(p.relative_to(PACKAGE)))
def test_cores_are_pure(path: Path) -> None:
    """`model` and `planning` do no I/O, know no clock, no terminal and no database."""
    for module, line, _ in _imports(path):
        assert module.split(".")[0] not in NOT_PURE, f"{path}:{line}: a pure module imports {module}"
    text = path.read_text("utf-8")
    assert not re.search(r"\b(date\.today|datetime\.now|datetime\.utcnow|open)\(", text), (
        f"{path}: reads a clock or a file"
    )


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_heavy_libraries_stand_where_they_are_used(path: Path) -> None:
    """Asking *where* must not pay for pydantic, httpx or cryptography."""
    may = {
        "model/manifest/types.py": {"pydantic"},
        "model/manifest/schema.py": {"pydantic"},
    }
    name = path.relative_to(PACKAGE).as_posix()
    allowed = may.get(name, set()) | {"cli": {"typer"}, "links": {"httpx"}, "proof": {"cryptography"}}.get(
        _folder(path), set()
    )
    at_top = [(module.split(".")[0], line) for module, line, top in _imports(path) if top]
    assert [f"{path}:{line}: {library}" for library, line in at_top if library in HEAVY - allowed] == []


def test_only_one_folder_imports_httpx() -> None:
    """Httpx, imported in one folder only."""
    users = {_folder(p) for p in SOURCES for module, _, _ in _imports(p) if module.split(".")[0] == "httpx"}
    assert users <= {"links"}


def test_only_one_module_imports_jinja() -> None:
    """Where autoescape is on, and every value is made visible."""
    users = {p.name for p in SOURCES for module, _, _ in _imports(p) if module.split(".")[0] == "jinja2"}
    assert users == {"pages.py"}


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_sizes_and_docstrings(path: Path) -> None:
    """Ours: modules ... max 500 lines; functions ... max 60; everything annotated."""
    text = path.read_text("utf-8")
    assert len(text.splitlines()) <= 500, f"{path}: over 500 lines"
    tree = ast.parse(text)
    assert path.name == "__init__.py" or ast.get_docstring(tree), f"{path}: no docstring"
    for node in ast.walk(tree):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            length = (node.end_lineno or 0) - node.lineno + 1
            assert length <= 60, f"{path}:{node.lineno}: {node.name} has {length} lines"
            assert node.returns is not None, f"{path}:{node.lineno}: {node.name} has no return annotation"
    for public in _public(tree.body):
        assert ast.get_docstring(public), f"{path}:{public.lineno}: {public.name} has no docstring"


def _public(body: list[ast.stmt]) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef]:
    """The public functions and classes of a module, and the public methods of its public classes."""
    for node in body:
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from _public(node.body)


def test_no_import_cycles() -> None:
    """No module of ours reaches itself through top-level imports."""
    names = {_module(p): p for p in SOURCES}
    edges = {
        name: {m for m, _, top in _imports(path) if top and m in names and m != name} for name, path in names.items()
    }
    assert any(edges.values())
    done: set[str] = set()

    def visit(name: str, above: tuple[str, ...]) -> None:
        assert name not in above, f"import cycle: {' -> '.join([*above, name])}"
        if name not in done:
            for other in edges[name]:
                visit(other, (*above, name))
            done.add(name)

    for name in names:
        visit(name, ())


def _module(path: Path) -> str:
    parts = list(path.relative_to(ROOT).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


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


def test_every_finding_code_is_documented() -> None:
    """A test fails when a command, option, finding code or exit code is undocumented."""
    text = (ROOT / "README.md").read_text("utf-8") + (ROOT / "DEVELOPERS.md").read_text("utf-8")
    from bundlekeeper.links.redfish.types import READ_CODES
    from bundlekeeper.links.redfish.user_map import MAP_CODES
    from bundlekeeper.model.inventory.cells import INVENTORY_CODES
    from bundlekeeper.model.lint import LINT_CODES
    from bundlekeeper.model.manifest.checksum_list import LIST_CODES
    from bundlekeeper.model.manifest.draft import CONFIRM_CODES, FILL_CODES

    own = [*CONFIRM_CODES, *FILL_CODES, *LIST_CODES, *INVENTORY_CODES, *READ_CODES, *MAP_CODES]
    for code in some([*CODES, *LINT_CODES, *own]):
        assert f"`{code}`" in text, f"finding code {code} is not documented"


def test_every_test_that_a_document_names_exists() -> None:
    """DEVELOPERS.md shows how we stand to an attack by naming the test; a name that is gone shows nothing."""
    named = re.findall(r"`(test_\w+\.py)::(test_\w+)`", (ROOT / "DEVELOPERS.md").read_text("utf-8"))
    assert named
    for file, test in named:
        assert f"def {test}(" in (ROOT / "tests" / file).read_text("utf-8"), f"{file} has no {test}"


def test_every_command_and_exit_status_is_documented() -> None:
    """The README's tables name every command and every exit status."""
    text = (ROOT / "README.md").read_text("utf-8")
    for name in COMMANDS:
        assert f"`{name}" in text or f"bundlekeeper {name}" in text, f"command {name} is not in the README"
    for code, what in EXIT_STATUSES:
        assert re.search(rf"\| {code} \|.*", text), f"exit status {code} ({what}) is not in the README"
    assert "Usage: bundlekeeper" in root_help()
