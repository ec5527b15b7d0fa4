"""What the source itself shows: who imports whom, which names stand for two classes, how long modules and code are."""

import ast
import io
import tokenize
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import TypeVar, cast

import lowpanbudget

Node = TypeVar("Node", bound=ast.AST)
PACKAGE = Path(lowpanbudget.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
# who imports modules by names that are worked out, and of which folder; the front door reaches everything
LOADED_BY_NAME = {
    "": "",
    "cli.main": "cli.",
    "layers.catalogue": "layers.",
    "payload.registry": "payload.kinds.",
}
_NO_CODE = {
    tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER,
}  # fmt: skip


@cache
def name_of(path: Path) -> str:
    """Return the dotted name inside the package, "" for the package itself."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


NAMES = tuple(map(name_of, MODULES))


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def nodes_of(path: Path, kind: type[Node]) -> list[Node]:
    """Return the nodes of one class in the module's tree, from its root on."""
    return cast(list[Node], _by_class(path)[kind])


@cache
def _by_class(path: Path) -> dict[type[ast.AST], list[ast.AST]]:
    """Return all nodes by their classes: of half a million, each test looks at a few thousand."""
    found: dict[type[ast.AST], list[ast.AST]] = defaultdict(list)
    rest: list[ast.AST] = [tree_of(path)]
    for node in rest:
        found[type(node)].append(node)
        for value in vars(node).values():
            if isinstance(value, ast.AST):
                rest.append(value)
            elif isinstance(value, list):
                rest += [one for one in value if isinstance(one, ast.AST)]
    return found


def docstrings(path: Path) -> Iterator[ast.Constant]:
    """Yield the docstrings of a module, its classes and functions."""
    documented: list[ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef] = [
        *nodes_of(path, ast.Module), *nodes_of(path, ast.ClassDef), *nodes_of(path, ast.FunctionDef),
        *nodes_of(path, ast.AsyncFunctionDef),
    ]  # fmt: skip
    for node in documented:
        first = node.body[0] if node.body else None
        if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
            yield first.value


def docstring_lines(path: Path) -> set[int]:
    return {
        line
        for text in docstrings(path)
        for line in range(text.lineno, (text.end_lineno or text.lineno) + 1)
    }


def code_lines(path: Path) -> int:
    """Return how many lines hold a token that is code: no blank line, comment or docstring."""
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(path.read_text(encoding="utf-8")).readline):
        if token.type not in _NO_CODE:
            lines.update(range(token.start[0], token.end[0] + 1))
    return len(lines - docstring_lines(path))


def class_names() -> dict[str, list[str]]:
    """Return for each name of a class the modules that define one of this name."""
    places: dict[str, list[str]] = defaultdict(list)
    for path in MODULES:
        for node in nodes_of(path, ast.ClassDef):
            places[node.name].append(name_of(path))
    return places


@cache
def imports(path: Path) -> tuple[tuple[int, str], ...]:
    """Return line and full name of all that is imported in a module, also for types only and inside functions."""
    package = ("lowpanbudget." + name_of(path)).rstrip(".").split(".")
    if path.name != "__init__.py":
        package.pop()
    found: list[tuple[int, str]] = []
    for plain in nodes_of(path, ast.Import):
        found += [(plain.lineno, alias.name) for alias in plain.names]
    for named in nodes_of(path, ast.ImportFrom):
        base = package[: len(package) - named.level + 1] if named.level else []
        source = ".".join([*base, *([named.module] if named.module else [])])
        found += [(named.lineno, f"{source}.{alias.name}") for alias in named.names]
    for call in nodes_of(path, ast.Call):
        if last_name(call.func) == "import_module":
            found += [(call.lineno, name) for name in _by_name(name_of(path), call.args[0])]
    return tuple(found)


def last_name(node: ast.expr) -> str:
    """Return a name, or the last of names with dots between them; "" of what is neither."""
    return getattr(node, "attr", getattr(node, "id", ""))


def _by_name(here: str, argument: ast.expr) -> list[str]:
    """Return the modules that an ``import_module`` reaches: the one it names, or all of the package it goes through."""
    if isinstance(argument, ast.Constant):
        return [str(argument.value)]
    within = LOADED_BY_NAME[here]
    return [f"lowpanbudget.{name}" for name in NAMES if name.startswith(within) and name != here]


@cache
def imports_of(path: Path) -> frozenset[str]:
    """Return the modules of the package that a module imports."""
    found: set[str] = set()
    for _, full in imports(path):
        inside = full.removeprefix("lowpanbudget.")
        if inside == full:
            continue
        for module in (inside, inside.rpartition(".")[0]):
            if module in NAMES:
                found.add(module)
                break
    return frozenset(found)


def circles() -> Iterator[list[str]]:
    """Yield every circle of modules that import each other, as a list of their names."""
    graph = {name_of(path): imports_of(path) - {""} for path in MODULES if name_of(path)}
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []

    def visit(name: str) -> Iterator[list[str]]:
        index[name] = low[name] = len(index)
        stack.append(name)
        for other in sorted(graph[name]):
            if other not in index:
                yield from visit(other)
                low[name] = min(low[name], low[other])
            elif other in stack:
                low[name] = min(low[name], index[other])
        if low[name] == index[name]:
            circle = []
            while True:
                circle.append(stack.pop())
                if circle[-1] == name:
                    break
            if len(circle) > 1:
                yield sorted(circle)

    for name in sorted(graph):
        if name not in index:
            yield from visit(name)


if __name__ == "__main__":
    rooms: dict[str, int] = defaultdict(int)
    for path in MODULES:
        rooms[path.relative_to(PACKAGE).parts[0]] += code_lines(path)
        length = len(path.read_text(encoding="utf-8").splitlines())
        if length > 330:
            print("long", name_of(path), length)
    print(sum(rooms.values()), dict(sorted(rooms.items(), key=lambda room: -room[1])))
    print("twice", {name: places for name, places in class_names().items() if len(places) > 1})
    for circle in circles():
        print("circle", circle)
