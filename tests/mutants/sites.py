"""Faults that are planted: places in a module's source where one small change makes another program.

Left alone is what only people read or tools look at: docstrings, annotations, decorators, cites, what an error says,
f-strings, ``repr``, assertions, and blocks for type checkers.
"""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

COMPARISONS = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==",
    ast.In: "not in", ast.NotIn: "in", ast.Is: "is not", ast.IsNot: "is",
}  # fmt: skip
OPERATIONS = {
    ast.Add: "-", ast.Sub: "+", ast.Mult: "//", ast.FloorDiv: "*", ast.Div: "*", ast.Mod: "//", ast.LShift: ">>",
    ast.RShift: "<<", ast.BitAnd: "|", ast.BitOr: "&", ast.BitXor: "&", ast.Pow: "*",
}  # fmt: skip
# calls whose arguments only say where something is written
SAYINGS = {"rfc", "ieee", "Cite", "plural", "TypeVar", "cast", "lru_cache", "field"}
SAID = {"cite", "hint", "nature", "repr", "compare"}
ASSERTED = {"strict"}  # keywords that only assert
# calls whose two arguments are of different kinds by the language, or may change places
ASKING = {"isinstance", "getattr", "hasattr", "min", "max", "gcd", "isclose", "convolve"}
UNSEEN = {"__slots__", "__all__", "__repr__", "__str__"}
UNCHANGED = (ast.Raise, ast.Assert, ast.Import, ast.ImportFrom, ast.Global, ast.Nonlocal)
PLAIN = (ast.Name, ast.Attribute, ast.Call)


@dataclass(frozen=True)
class Mutant:
    """One change: in which module and function, at which octets, what is put there; the lines before and after it."""

    file: str
    function: str
    line: int
    start: int
    end: int
    put: str
    was: str
    then: str

    def key(self) -> str:
        """Return what tells it from others, and outlives lines that move."""
        return f"{self.file} | {self.function} | {self.was} | {self.then}"

    def source(self, text: str) -> str:
        """Return the module's source with the change."""
        octets = text.encode()
        return (octets[: self.start] + self.put.encode() + octets[self.end :]).decode()


def mutants_of(path: Path, name: str) -> list[Mutant]:
    """Return every change of a module; ``name`` is the file as it is told."""
    text = path.read_text("utf-8")
    return list(_Sites(text, name).found())


class _Sites:
    """Walks a module."""

    def __init__(self, text: str, name: str) -> None:
        self._text, self._octets, self._name = text, text.encode(), name
        lengths = [len(line.encode()) for line in text.splitlines(keepends=True)]
        self._starts = [sum(lengths[:at]) for at in range(len(lengths) + 1)]

    def found(self) -> Iterator[Mutant]:
        yield from self._block(ast.parse(self._text).body, "")

    def _block(self, body: list[ast.stmt], where: str) -> Iterator[Mutant]:
        for statement in body:
            yield from self._statement(statement, where)

    def _statement(self, node: ast.stmt, where: str) -> Iterator[Mutant]:
        if isinstance(node, UNCHANGED) or _is_left_alone(node):
            return
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            inner = f"{where}.{node.name}".lstrip(".")
            if isinstance(node, ast.FunctionDef):
                for default in (*node.args.defaults, *filter(None, node.args.kw_defaults)):
                    yield from self._expression(default, inner)
            yield from self._block(node.body, inner)
            return
        yield from self._whole(node, where)
        for name, value in ast.iter_fields(node):
            for one in value if isinstance(value, list) else [value]:
                if isinstance(one, ast.stmt):
                    yield from self._statement(one, where)
                elif isinstance(one, ast.ExceptHandler | ast.match_case):
                    yield from self._block(one.body, where)
                elif isinstance(one, ast.withitem):
                    yield from self._expression(one.context_expr, where)
                elif isinstance(one, ast.expr) and name != "annotation":
                    yield from self._expression(one, where)

    def _whole(self, node: ast.stmt, where: str) -> Iterator[Mutant]:
        """Yield changes of a statement as a whole: it is left out, or goes another way."""
        text = self._segment(node)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call) and where:
            yield self._mutant(node, where, "pass")
        elif isinstance(node, ast.AugAssign):
            yield self._mutant(node, where, "pass")
            for old, new in (("+=", "-="), ("-=", "+=")):
                if old in text:
                    yield self._mutant(node, where, text.replace(old, new, 1))
        elif isinstance(node, ast.Assign) and where:
            if all(isinstance(one, ast.Attribute | ast.Subscript) for one in node.targets):
                yield self._mutant(node, where, "pass")
        elif isinstance(node, ast.Return) and node.value is not None and not _is_none(node.value):
            yield self._mutant(node, where, "return None")
        elif isinstance(node, ast.Continue | ast.Break):
            yield self._mutant(node, where, "break" if text == "continue" else "continue")
        elif isinstance(node, ast.If | ast.While) and isinstance(node.test, PLAIN):
            yield self._mutant(node.test, where, f"not {self._segment(node.test)}")

    def _expression(self, node: ast.expr, where: str) -> Iterator[Mutant]:
        if isinstance(node, ast.JoinedStr) or (
            isinstance(node, ast.Call) and _called(node) in SAYINGS
        ):
            return
        if isinstance(node, ast.Call):
            yield from self._swapped(node, where)
        elif isinstance(node, ast.Compare):
            left = node.left
            for op, right in zip(node.ops, node.comparators, strict=True):
                yield from self._between(left, right, COMPARISONS[type(op)], where)
                left = right
        elif isinstance(node, ast.BinOp) and type(node.op) in OPERATIONS and not _is_text(node):
            yield from self._between(node.left, node.right, OPERATIONS[type(node.op)], where)
        elif isinstance(node, ast.BoolOp):
            other = "or" if isinstance(node.op, ast.And) else "and"
            for left, right in pairwise(node.values):
                yield from self._between(left, right, other, where)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
            yield self._mutant(node, where, self._segment(node.operand))
        elif isinstance(node, ast.Constant):
            yield from self._constant(node, where)
        elif isinstance(node, ast.Slice):
            for bound in (node.lower, node.upper):
                if bound is not None and not isinstance(bound, ast.Constant):
                    yield self._mutant(bound, where, f"({self._segment(bound)}) + 1")
        for value in ast.iter_child_nodes(node):
            if isinstance(value, ast.expr):
                yield from self._expression(value, where)
            elif isinstance(value, ast.keyword) and value.arg not in SAID | ASSERTED:
                yield from self._expression(value.value, where)
            elif isinstance(value, ast.comprehension):
                for one in (value.iter, *value.ifs):
                    yield from self._expression(one, where)

    def _swapped(self, node: ast.Call, where: str) -> Iterator[Mutant]:
        """Change the order of two arguments."""
        if len(node.args) != 2 or node.keywords or _called(node) in ASKING:
            return
        if any(isinstance(one, ast.Starred) for one in node.args):
            return
        (start, stop), (again, end) = map(self._place, node.args)
        first, second = map(self._segment, node.args)
        if first != second:
            between = self._octets[stop:again].decode()
            yield self._at(start, end, node.lineno, where, f"{second}{between}{first}")

    def _constant(self, node: ast.Constant, where: str) -> Iterator[Mutant]:
        value = node.value
        if isinstance(value, bool):
            yield self._mutant(node, where, str(not value))
        elif isinstance(value, int):
            yield self._mutant(node, where, str(value + 1))
            if value:
                yield self._mutant(node, where, str(value - 1))
        elif isinstance(value, float) and value:
            yield self._mutant(node, where, repr(value * 1.01))

    def _between(
        self, left: ast.expr, right: ast.expr, operator: str, where: str
    ) -> Iterator[Mutant]:
        """Change the operator that stands between two operands; brackets around them stay."""
        start, end = self._place(left)[1], self._place(right)[0]
        text = self._octets[start:end].decode()
        old = text.strip("()\n ")
        if old and "#" not in text and "\n" not in old:
            yield self._at(start, end, left.lineno, where, text.replace(old, operator, 1))

    def _place(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return (
            self._starts[node.lineno - 1] + node.col_offset,
            self._starts[node.end_lineno - 1] + node.end_col_offset,
        )

    def _segment(self, node: ast.expr | ast.stmt) -> str:
        start, end = self._place(node)
        return self._octets[start:end].decode()

    def _mutant(self, node: ast.expr | ast.stmt, where: str, put: str) -> Mutant:
        return self._at(*self._place(node), node.lineno, where, put)

    def _at(self, start: int, end: int, line: int, where: str, put: str) -> Mutant:
        """Return a change; what is told of it is the whole line, before and after, when it is on one."""
        first = self._octets.rfind(b"\n", 0, start) + 1
        last = self._octets.find(b"\n", end)
        last = len(self._octets) if last < 0 else last
        was = self._octets[first:last].decode()
        changed = (self._octets[first:start] + put.encode() + self._octets[end:last]).decode()
        return Mutant(self._name, where, line, start, end, put, was.strip(), changed.strip())


def _is_left_alone(node: ast.stmt) -> bool:
    """Return whether a statement says nothing to a program that runs: docstrings, names for tools, types."""
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Constant)
    if isinstance(node, ast.FunctionDef):
        return node.name in UNSEEN
    if isinstance(node, ast.Assign):
        return any(isinstance(one, ast.Name) and one.id in UNSEEN for one in node.targets)
    return (
        isinstance(node, ast.If)
        and isinstance(node.test, ast.Name)
        and node.test.id == "TYPE_CHECKING"
    )


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def _is_none(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


def _is_text(node: ast.BinOp) -> bool:
    """Return whether operands are texts, or types: ``int | None`` is no arithmetic."""
    return any(
        isinstance(one, ast.JoinedStr)
        or (isinstance(one, ast.Constant) and isinstance(one.value, str | None))
        for one in (node.left, node.right)
    )
