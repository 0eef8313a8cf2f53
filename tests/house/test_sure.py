"""The tests are held by reading them: each comes to an assertion for certain, and none waits for a time."""

from __future__ import annotations

import ast
import getpass
import os
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.kits.mounts import mounted
from tests.kits.sure import some, wait_until

HERE = Path(__file__).parents[1]
ROOT = HERE.parent
Function = ast.FunctionDef | ast.AsyncFunctionDef
_LATER = (ast.stmt, ast.excepthandler, ast.Lambda, ast.IfExp, ast.ListComp, ast.SetComp, ast.DictComp, ast.GeneratorExp)
WITHOUT = {  # that nothing is raised is all that they say; what is refused is beside them
    "links/http/test_client.py::test_headers_that_can_be_sent",
    "verification/signatures/test_sshsig.py::test_the_rebuilt_signature_is_good_when_nothing_is_changed",
}
SLEEPS = {  # not to wait for anything
    "kits/local_server.py": 1,  # a slow server
    "kits/sure.py": 1,  # between two looks
    "links/http/test_download.py": 1,  # a slow server
    "links/redfish/test_read.py": 1,  # a moment for what must not happen, once all that must has
}


@dataclass
class Module:
    """One file of tests, as far as this reading needs it."""

    assigned: list[ast.Assign | ast.AnnAssign] = field(default_factory=list)
    functions: dict[str, Function] = field(default_factory=dict)
    methods: dict[str, Function] = field(default_factory=dict)
    full: set[str] = field(default_factory=set)  # names of what is written out and not empty
    imported: dict[str, tuple[str, str]] = field(default_factory=dict)


def _module(text: str) -> Module:
    module = Module()
    nodes = list(ast.walk(ast.parse(text)))
    for node in nodes:
        if isinstance(node, ast.ClassDef):
            module.methods |= {part.name: part for part in node.body if isinstance(part, Function)}
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            module.assigned.append(node)
    for node in nodes:
        if isinstance(node, Function) and module.methods.get(node.name) is not node:
            module.functions.setdefault(node.name, node)
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("tests"):
            module.imported |= {a.asname or a.name: (node.module or "", a.name) for a in node.names}
    return module


class Reading:
    """All files of the tests, by their names as modules."""

    def __init__(self, modules: dict[str, Module]) -> None:
        self.modules = modules
        for name, module in modules.items():
            for node in module.assigned:
                if node.value and self.is_full(node.value, name):
                    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                    module.full |= {target.id for target in targets if isinstance(target, ast.Name)}

    def is_full(self, node: ast.expr, module: str) -> bool:
        """Whether a loop over this goes round at least once, as far as one can see."""
        match node:
            case ast.Tuple(elts=parts) | ast.List(elts=parts) | ast.Set(elts=parts):
                return any(self.is_full(p.value, module) if isinstance(p, ast.Starred) else True for p in parts)
            case ast.Dict(keys=keys):
                return bool(keys)
            case ast.Constant(value=value):
                return bool(value)
            case ast.BinOp(left=left, op=ast.Add() | ast.BitOr(), right=right):
                return self.is_full(left, module) or self.is_full(right, module)
            case ast.Name(id=name):
                known = self.modules[module]
                where, other = known.imported.get(name, ("", ""))
                return name in known.full or (where in self.modules and other in self.modules[where].full)
            case ast.Call(func=ast.Name(id="some")):
                return True
            case ast.Call(func=ast.Name(id="range"), args=bounds):
                return all(isinstance(bound, ast.Constant) for bound in bounds)
            case ast.Call(func=ast.Name(id="enumerate" | "sorted" | "list" | "tuple" | "reversed" | "set" | "zip")):
                return bool(node.args) and all(self.is_full(a, module) for a in node.args)
            case ast.Call(func=ast.Attribute(value=of, attr="items" | "values" | "keys")):
                return self.is_full(of, module)
            case ast.Call(func=ast.Attribute(value=ast.Name(id="itertools"))) | ast.Call(func=ast.Name(id="product")):
                return all(self.is_full(a, module) or isinstance(a, ast.Constant) for a in node.args)
        return False

    def _helper(self, call: ast.Call, module: str) -> tuple[Function, str] | None:
        """The function of the tests that is called, and the module that it stands in."""
        known = self.modules[module]
        if isinstance(call.func, ast.Name):
            where, name = known.imported.get(call.func.id, (module, call.func.id))
            if where in self.modules and name in self.modules[where].functions:
                return self.modules[where].functions[name], where
        if isinstance(call.func, ast.Attribute):  # a method, of whichever class of the tests
            for where in (module, *{where for where, _ in known.imported.values()}):
                if where in self.modules and call.func.attr in self.modules[where].methods:
                    return self.modules[where].methods[call.func.attr], where
        return None

    def asserts(self, node: ast.AST, module: str, seen: frozenset[str] = frozenset()) -> bool:
        """Whether this very statement or expression asserts, itself or by a helper that it calls."""
        match node:
            case ast.Assert():
                return True
            case ast.Raise(exc=ast.Call(func=ast.Name(id="AssertionError"))):
                return True
            case ast.Call(func=ast.Attribute(value=ast.Name(id="pytest"), attr="raises" | "warns" | "fail")):
                return True
            case ast.Call() if (helper := self._helper(node, module)) and helper[0].name not in seen:
                return self.is_sure(helper[0].body, helper[1], seen | {helper[0].name})
        return False

    def _calls(self, node: ast.AST) -> Iterator[ast.AST]:
        """The node and the expressions in it that are run with it; not the statements of a block."""
        yield node
        for child in ast.iter_child_nodes(node):
            if not isinstance(child, _LATER):
                yield from self._calls(child)

    def is_sure(self, body: Sequence[ast.stmt], module: str, seen: frozenset[str], either: bool = False) -> bool:
        """Whether whoever goes through these statements comes to an assertion."""
        return any(self._sure(statement, module, seen, either) for statement in body)

    def _sure(self, statement: ast.stmt, module: str, seen: frozenset[str], either: bool) -> bool:
        if isinstance(statement, Function | ast.ClassDef):
            return False
        if any(self.asserts(node, module, seen) for node in self._calls(statement)):
            return True

        def inner(body: Sequence[ast.stmt], also: bool = False) -> bool:
            return self.is_sure(body, module, seen, either or also)

        match statement:
            case ast.With(body=body):
                return inner(body)
            case ast.For(iter=things, body=body, orelse=orelse):
                return (self.is_full(things, module) and inner(body, True)) or inner(orelse)
            case ast.While(test=test, body=body, orelse=orelse):
                return inner(body) if isinstance(test, ast.Constant) else inner(orelse)
            case ast.If(body=body, orelse=orelse):
                # In a loop over what is written out, whoever wrote it saw which branches are taken.
                return (inner(body) or inner(orelse)) if either else (inner(body) and inner(orelse))
            case ast.Try(body=body, handlers=handlers, orelse=orelse, finalbody=final):
                caught = all(inner(h.body) or isinstance(h.body[-1], ast.Raise) for h in handlers)
                return inner(final) or (inner([*body, *orelse]) and caught)
        return False


def _read() -> Reading:
    paths = some(p for p in HERE.rglob("*.py"))
    names = {".".join(["tests", *p.relative_to(HERE).with_suffix("").parts]): p for p in paths}
    return Reading({name: _module(path.read_text("utf-8")) for name, path in names.items()})


def _is_given(test: Function) -> bool:
    return any("given" in ast.dump(decorator) for decorator in test.decorator_list)


def _tests(reading: Reading) -> Iterator[tuple[str, str, Function]]:
    for name, module in reading.modules.items():
        for test in module.functions.values():
            if test.name.startswith("test_"):
                yield f"{name.removeprefix('tests.').replace('.', '/')}.py::{test.name}", name, test


def unsure(reading: Reading) -> list[str]:
    """The tests that may pass without an assertion; of a property, those that have none at all."""
    found = []
    for title, name, test in _tests(reading):
        if _is_given(test):
            sure = any(reading.asserts(node, name) for node in ast.walk(test))
        else:
            sure = reading.is_sure(test.body, name, frozenset())
        if not sure:
            found.append(title)
    return found


def test_every_test_comes_to_an_assertion() -> None:
    """By reading: an assertion in a loop counts where the loop is over something written out, or over `some(...)`."""
    assert set(unsure(_read())) == WITHOUT


@pytest.mark.parametrize(
    ("body", "sure"),
    [
        ("f()", False),
        ("assert f()", True),
        ("for x in f(): assert x", False),
        ("for x in some(f()): assert x", True),
        ("for x in (1, 2): assert x", True),
        ("for x in range(3): assert x", True),
        ("for x in range(f()): assert x", False),
        ("for x in MANY: assert x", True),
        ("for x in FEW: assert x", False),
        ("for x, y in zip(MANY, f()): assert x", False),
        ("if f(): assert x", False),
        ("if f(): assert x\n    else: assert y", True),
        ("for x in (1, 2):\n        if f(x): assert x", True),
        ("try: f()\n    except E: assert x", False),
        ("try: assert f()\n    except E: pass", False),
        ("try: f()\n    except E: assert x\n    else: assert y", True),
        ("while f(): assert x", False),
        ("while True: assert x", True),
        ("with pytest.raises(E): f()", True),
        ("with f() as x: assert x", True),
        ("helped()", True),
        ("x = [helped(y) for y in f()]", False),
        ("unhelped()", False),
        ("def g(): assert x", False),
        ("g = lambda: helped()", False),
    ],
)
def test_what_is_sure(body: str, sure: bool) -> None:
    """The reading itself, on tests of one line."""
    text = "MANY = [1]\nFEW = f()\ndef helped(): assert f()\ndef unhelped():\n    if f(): assert x\n"
    reading = Reading({"tests.test_one": _module(f"{text}def test_it():\n    {body}\n")})
    assert unsure(reading) == ([] if sure else ["test_one.py::test_it"])


def test_nobody_sleeps_to_wait_for_something() -> None:
    """A time that is long enough here is too short elsewhere: `wait_until` waits for what is to be seen."""
    calls = {
        path.relative_to(HERE).as_posix(): len(re.findall(r"\bsleep\(", path.read_text("utf-8")))
        for path in some(HERE.rglob("*.py"))
    }
    calls[Path(__file__).relative_to(HERE).as_posix()] = 0
    assert {name: count for name, count in calls.items() if count} == SLEEPS


def test_what_is_waited_for_in_vain_is_reported() -> None:
    looks = iter([False, False, True])
    wait_until(lambda: next(looks), "the third look")
    with pytest.raises(AssertionError, match="not seen in 0 s: rain"):
        wait_until(lambda: False, "rain", patience_s=0)
    with pytest.raises(AssertionError, match="nothing to test"):
        some([])


@pytest.mark.root
def test_what_another_session_left_fails_none(tmp_path: Path) -> None:
    """pytest clears away the folders of earlier sessions; one that it cannot remove yet is no failure of this one."""
    left = tmp_path / f"pytest-of-{getpass.getuser()}" / "garbage-of-another"
    left.mkdir(parents=True)
    (tmp_path / "test_it.py").write_text("def test_it(tmp_path): assert tmp_path.is_dir()\n", encoding="utf-8")
    with mounted("tmpfs", left):
        try:
            done = subprocess.run(
                [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", ROOT / "pyproject.toml",
                 f"--rootdir={tmp_path}", tmp_path / "test_it.py"],
                env={**os.environ, "PYTEST_DEBUG_TEMPROOT": str(tmp_path)}, capture_output=True, text=True, check=False,
            )  # fmt: skip
        finally:
            for point in left.parent.glob("garbage-*/tmpfs-mount"):  # the folder has another name by now
                subprocess.run(["umount", "-l", point], check=False, capture_output=True)
    assert (done.returncode, "1 passed" in done.stdout) == (0, True), done.stdout + done.stderr


def test_a_parameter_without_values_is_an_error(tmp_path: Path) -> None:
    """Else pytest would leave the test out, and a list that is derived from the code may be empty by a mistake."""
    text = "import pytest\n@pytest.mark.parametrize('x', [])\ndef test_it(x): assert x\n"
    (tmp_path / "test_it.py").write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", ROOT / "pyproject.toml",
         f"--rootdir={tmp_path}", f"--basetemp={tmp_path / 'base'}", tmp_path / "test_it.py"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "Empty parameter set" in done.stdout and done.returncode not in (0, 5), done.stdout
