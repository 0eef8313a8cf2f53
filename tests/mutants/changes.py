"""The small wrong changes: where in the package each kind can be made, found by reading the source.

Rules: a change is one node of the syntax tree put in another's place, so it always compiles; what no test could tell
is not made: annotations, docstrings, texts for people, decorators, code that only a type checker reads.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

_COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
_COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult, ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr, ast.LShift: ast.RShift, ast.RShift: ast.LShift, ast.Mod: ast.Mult,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Change:
    """One wrong change: bytes `start` to `end` of `file` (below bundlekeeper/) become `new`; they are in `lines`."""

    file: str
    lines: tuple[int, int]
    start: int
    end: int
    kind: str
    new: str

    def applied(self, source: bytes) -> bytes:
        """The file's bytes with the change made."""
        return source[: self.start] + self.new.encode() + source[self.end :]


def changes(package: Path) -> list[Change]:
    """Every change that can be made in the package's files, in the order of files and places."""
    found: list[Change] = []
    for path in sorted(package.rglob("*.py")):
        found += _of_file(path.relative_to(package).as_posix(), path.read_bytes())
    return found


def _of_file(name: str, source: bytes) -> Iterator[Change]:
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    for node, kind, new in _Reader().read(ast.parse(source)):
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        start = starts[node.lineno - 1] + node.col_offset
        end = starts[node.end_lineno - 1] + node.end_col_offset
        text = ast.unparse(new)
        if isinstance(node, ast.expr):
            text = f"({text})"
        yield Change(name, (node.lineno, node.end_lineno), start, end, kind, text)


_Place = ast.expr | ast.stmt
_Found = tuple[_Place, str, ast.AST]


class _Reader:
    """Walks a module and says what could be put in each node's place."""

    def read(self, tree: ast.Module) -> Iterator[_Found]:
        for statement in tree.body:
            yield from self._statement(statement)

    def _statement(self, node: ast.stmt) -> Iterator[_Found]:
        match node:
            case ast.Import() | ast.ImportFrom() | ast.Assert():
                return
            case ast.If() if "TYPE_CHECKING" in ast.dump(node.test):
                return
            case ast.Expr(value=ast.Constant()):  # a docstring
                return
            case ast.Expr(value=ast.Call()):
                yield node, "a call is left out", ast.Pass()
            case ast.Break():
                yield node, "break becomes continue", ast.Continue()
            case ast.Continue():
                yield node, "continue becomes break", ast.Break()
            case ast.Return(value=ast.expr()) if not _is_nothing(node.value):
                yield node, "nothing is returned", ast.Return()
            case ast.If() | ast.While():
                yield node.test, "a condition is turned round", ast.UnaryOp(ast.Not(), node.test)
            case ast.For():
                first = ast.parse("list(x)[:1]", mode="eval").body
                assert isinstance(first, ast.Subscript)
                assert isinstance(first.value, ast.Call)
                first.value.args = [node.iter]
                yield node.iter, "only the first of a loop", first
            case ast.AugAssign() if type(node.op) in _COMPUTED:
                yield node, "the other sign", ast.AugAssign(node.target, _COMPUTED[type(node.op)](), node.value)
            case _:
                pass
        yield from self._inside(node)

    def _inside(self, node: ast.AST) -> Iterator[_Found]:
        for name, value in ast.iter_fields(node):
            if name in {"annotation", "returns", "decorator_list", "type_params"}:
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.stmt):
                    yield from self._statement(child)
                elif isinstance(child, ast.expr):
                    yield from self._expression(child)
                elif isinstance(child, ast.AST):
                    yield from self._inside(child)

    def _expression(self, node: ast.expr) -> Iterator[_Found]:
        match node:
            case ast.JoinedStr() | ast.Lambda(body=ast.Constant()):
                return  # texts for people
            case ast.Compare(ops=[op]) if type(op) in _COMPARED:
                yield node, "the other comparison", ast.Compare(node.left, [_COMPARED[type(op)]()], node.comparators)
            case ast.BoolOp():
                other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
                yield node, "and becomes or", ast.BoolOp(other, node.values)
            case ast.UnaryOp(op=ast.Not()):
                yield node, "not is left out", node.operand
            case ast.BinOp() if type(node.op) in _COMPUTED and not _is_text(node) and not _is_type(node):
                yield node, "the other sign", ast.BinOp(node.left, _COMPUTED[type(node.op)](), node.right)
            case ast.Constant(value=bool()):
                yield node, "the other truth", ast.Constant(not node.value)
            case ast.Constant(value=int(value)) if value <= 64:
                yield node, "one more", ast.Constant(value + 1)
            case ast.Constant(value=int(value)):  # a limit, a size, a code: one more would seldom matter
                yield node, "sixteen times", ast.Constant(value * 16)
            case ast.IfExp():
                yield node, "the other branch", ast.IfExp(node.test, node.orelse, node.body)
            case ast.ListComp() | ast.SetComp() | ast.GeneratorExp() | ast.DictComp() if node.generators[0].ifs:
                yield node.generators[0].ifs[0], "a filter lets all through", ast.Constant(True)
            case _:
                pass
        yield from self._inside(node)


def _is_nothing(node: ast.expr | None) -> bool:
    return node is None or (isinstance(node, ast.Constant) and node.value is None)


def _is_text(node: ast.BinOp) -> bool:
    sides = (node.left, node.right)
    return any(
        isinstance(s, ast.JoinedStr) or (isinstance(s, ast.Constant) and isinstance(s.value, str)) for s in sides
    )


def _is_type(node: ast.BinOp) -> bool:
    """`A | B` of names that are types, as aliases have them."""
    return isinstance(node.op, ast.BitOr) and all(
        (isinstance(s, ast.Name) and s.id[:1].isupper()) or (isinstance(s, ast.Constant) and s.value is None)
        for s in (node.left, node.right)
        if not isinstance(s, ast.BinOp)
    )
