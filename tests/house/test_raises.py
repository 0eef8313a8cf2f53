"""Docstrings say what is raised: each public function that raises an error of ours itself names it."""

from __future__ import annotations

import ast
import builtins
import re
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

import pytest

from tests.kits.sure import some

PACKAGE = Path(__file__).parents[2] / "bundlekeeper"
#: Docstrings of commands are what the user reads with --help.
COMMANDS = "cli/commands/"
#: It travels alone and knows no error of ours.
ALONE = "media/volume/verify.py"
Function = ast.FunctionDef | ast.AsyncFunctionDef
ANOTHER = re.compile(r"\b[Aa]s((?: `[\w.]+`(?:,| and| or)?)+)")


@cache
def _trees() -> dict[str, ast.Module]:
    paths = sorted(PACKAGE.rglob("*.py"))
    return {path.relative_to(PACKAGE).as_posix(): ast.parse(path.read_text("utf-8")) for path in paths}


@pytest.fixture(scope="module", autouse=True)
def forgotten() -> Iterator[None]:
    """Every node of every module is much for the collector to go through in all later tests."""
    yield
    _trees.cache_clear()
    _known.cache_clear()


def _name(node: ast.expr | None) -> str:
    """The last word of a dotted name, "" for what is none."""
    return node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""


def _docstring(node: Function | ast.ClassDef) -> str:
    return " ".join((ast.get_docstring(node) or "").split())


def _others(docstring: str) -> list[str]:
    """The functions that a docstring names for what is raised: "Raises as `other`"."""
    _, raises, named = docstring.partition("Raises")
    return [name for others in ANOTHER.findall(raises and named) for name in re.findall(r"`([\w.]+)`", others)]


class Known:
    """What the source says of errors: the bases of every class, and what has a docstring, by its whole name."""

    def __init__(self, trees: Mapping[str, ast.Module]) -> None:
        self.bases: dict[str, tuple[str, ...]] = {}
        self.documented: dict[str, Function | ast.ClassDef] = {}
        for file, tree in trees.items():
            for node in ast.walk(tree):
                if isinstance(node, ast.ClassDef):
                    self.bases[node.name] = tuple(map(_name, node.bases))
            self._add(file.removesuffix(".py").replace("/", "."), tree.body)
        self._ending: dict[str, list[str]] = {}
        for whole in self.documented:
            self._ending.setdefault(whole.rpartition(".")[2], []).append(whole)

    def _add(self, above: str, body: list[ast.stmt]) -> None:
        for node in body:
            if isinstance(node, Function | ast.ClassDef):
                self.documented[f"{above}.{node.name}"] = node
            if isinstance(node, ast.ClassDef):
                self._add(f"{above}.{node.name}", node.body)

    def above(self, name: str) -> list[str]:
        """The class and those that it is made from, the nearest first."""
        found = [name]
        for one in found:
            mro = getattr(getattr(builtins, one, None), "__mro__", ())
            found += [base for base in (*self.bases.get(one, ()), *(b.__name__ for b in mro)) if base not in found]
        return found

    def is_ours(self, name: str) -> bool:
        return "KeeperError" in self.above(name)

    def called(self, name: str, file: str) -> list[str]:
        """The whole names that a name in a file can mean: those of the file itself before others."""
        found = [whole for whole in self._ending.get(name.rpartition(".")[2], ()) if f".{whole}".endswith(f".{name}")]
        module = file.removesuffix(".py").replace("/", ".")
        return [whole for whole in found if whole.startswith(f"{module}.")] or found

    def made(self, name: str, file: str) -> set[str]:
        """The errors of ours that a function of this name returns."""
        returns = [getattr(self.documented[whole], "returns", None) for whole in self.called(name, file)]
        words = (_name(node) for kind in returns if kind for node in ast.walk(kind) if isinstance(node, ast.expr))
        return {word for word in words if self.is_ours(word)}

    def documents(self, docstring: str, error: str, file: str, seen: frozenset[str] = frozenset()) -> bool:
        """True when the docstring names the error or what it is made from, or another function whose own does."""
        _, raises, named = re.sub(r"\bRaise\b", "Raises", docstring).partition("Raises")
        ours = [name for name in self.above(error) if self.is_ours(name)]
        if error == "KeeperError":  # of a maker that gives any of them
            ours = [name for name in self.bases if self.is_ours(name)]
        if any(re.search(rf"\b{name}\b", raises and named) for name in ours):
            return True
        others = {whole for name in _others(docstring) for whole in self.called(name, file)} - seen
        return any(
            self.documents(_docstring(self.documented[whole]), error, _file(whole), seen | others) for whole in others
        )


def _file(whole: str) -> str:
    """The file of a function, by its whole name."""
    parts = whole.split(".")
    names = ("/".join(parts[:count]) + ".py" for count in range(len(parts), 0, -1))
    return next((name for name in names if name in _trees()), "")


def _raises(body: list[ast.stmt], caught: tuple[str, ...] = ()) -> Iterator[tuple[ast.Raise, tuple[str, ...]]]:
    """Each `raise` of a body with what is caught around it; not those of functions inside."""
    for node in body:
        if isinstance(node, ast.Raise):
            yield node, caught
        elif isinstance(node, ast.Try | ast.TryStar):
            kinds = [kind for handler in node.handlers for kind in _caught(handler)]
            yield from _raises(node.body, (*caught, *kinds))
            for handler in node.handlers:
                yield from _raises(handler.body, caught)
            yield from _raises([*node.orelse, *node.finalbody], caught)
        elif isinstance(node, ast.Match):
            for case in node.cases:
                yield from _raises(case.body, caught)
        elif isinstance(node, ast.If | ast.For | ast.While | ast.With | ast.AsyncFor | ast.AsyncWith):
            yield from _raises([*node.body, *getattr(node, "orelse", ())], caught)


def _caught(handler: ast.ExceptHandler) -> list[str]:
    if handler.type is None:
        return ["BaseException"]
    return [_name(kind) for kind in (handler.type.elts if isinstance(handler.type, ast.Tuple) else [handler.type])]


def _errors(raised: ast.expr, function: Function, known: Known, file: str) -> set[str]:
    """The errors of ours that this can be: a class, what a maker of errors returns, a variable that holds one."""
    if isinstance(raised, ast.IfExp):
        return {each for way in (raised.body, raised.orelse) for each in _errors(way, function, known, file)}
    name = _name(raised.func if isinstance(raised, ast.Call) else raised)
    if known.is_ours(name):
        return {name}
    if isinstance(raised, ast.Call):
        return known.made(name, file)
    values = [
        node.value
        for node in ast.walk(function)
        if isinstance(node, ast.Assign | ast.AnnAssign | ast.NamedExpr) and isinstance(node.value, ast.Call | ast.IfExp)
        for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
        if isinstance(target, ast.Name) and target.id == name
    ]
    return {error for value in values if value for error in _errors(value, function, known, file)}


def _public(body: list[ast.stmt]) -> Iterator[Function]:
    """The public functions of a module and the public methods of its public classes."""
    for node in body:
        if isinstance(node, Function) and not node.name.startswith("_"):
            yield node
        elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from _public(node.body)


def undocumented(file: str, tree: ast.Module, known: Known) -> list[str]:
    """What the public functions of a module raise themselves and do not say."""
    found = []
    for function in _public(tree.body):
        for node, caught in _raises(function.body):
            for error in sorted(_errors(node.exc, function, known, file) if node.exc else ()):
                if {*known.above(error)}.isdisjoint(caught) and not known.documents(_docstring(function), error, file):
                    found.append(f"{function.name} raises {error} in line {node.lineno}")
    return found


def loud(tree: ast.Module, known: Known) -> list[str]:
    """The functions that say "Raises nothing" and raise something."""
    found = []
    for function in ast.walk(tree):
        if isinstance(function, Function) and "Raises nothing" in _docstring(function):
            for node, caught in _raises(function.body):
                raised = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
                if node.exc is None or {*known.above(_name(raised))}.isdisjoint(caught):
                    found.append(f"{function.name} raises in line {node.lineno}")
    return found


@cache
def _known() -> Known:
    return Known(_trees())


def test_public_functions_say_what_they_raise() -> None:
    files = some(file for file in _trees() if not file.startswith(COMMANDS) and file != ALONE)
    assert [f"{file}: {each}" for file in files for each in undocumented(file, _trees()[file], _known())] == []


def test_what_says_that_it_raises_nothing_raises_nothing() -> None:
    assert [f"{file}: {each}" for file, tree in some(_trees().items()) for each in loud(tree, _known())] == []


def test_a_function_that_is_named_for_what_it_raises_is_there() -> None:
    """ "Raises as `other`": in the same file, or by enough of its whole name."""
    named = [
        (file, function.name, other)
        for file, tree in _trees().items()
        for function in ast.walk(tree)
        if isinstance(function, Function)
        for other in _others(_docstring(function))
    ]
    assert [place for place in some(named) if not _known().called(place[-1], place[0])] == []


SAMPLE = '''
class InputError(KeeperError): ...
class SpoiltError(InputError): ...
def _made() -> SpoiltError: ...
def plain():
    """Do."""
    raise InputError("x")
def maker():
    """Do. Raises UnfinishedError."""
    if 1:
        raise _made() from None
def held():
    """Do. It is no InputError."""
    error = _made()
    raise error
class Thing:
    def method(self):
        """Do. Raises as `plain`."""
        with self:
            raise SpoiltError("x")
    def quiet(self):
        """Do. Raises nothing."""
        raise ValueError
def base():
    """Raise InputError when it is so."""
    raise SpoiltError("x")
def another():
    """Do. Raises as `base`, or RefusedError."""
    raise InputError("x")
def catches():
    """Do. Raises nothing."""
    try:
        raise SpoiltError("x")
    except InputError:
        pass
    def inside():
        raise InputError("x")
def _private():
    raise InputError("x")
'''


def test_the_reader_sees_what_is_not_said() -> None:
    """The rule's own reader."""
    tree = ast.parse(SAMPLE)
    known = Known({"sample.py": tree})
    assert [message.partition(" in line")[0] for message in undocumented("sample.py", tree, known)] == [
        "plain raises InputError",
        "maker raises SpoiltError",
        "held raises SpoiltError",
        "method raises SpoiltError",
    ]
    assert [message.partition(" ")[0] for message in loud(tree, known)] == ["quiet"]
