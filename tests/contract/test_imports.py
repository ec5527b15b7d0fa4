"""Nothing of this folder looks inside the package: a rebuild of the inside is judged by tests that it leaves alone."""

import ast
import importlib.util
import re
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

import pytest

import lowpanbudget

TESTS = Path(__file__).parents[1]
# beside this folder: the tests of the public names, and what the tests here lean on
BESIDE = tuple(
    TESTS / f"{name}.py"
    for name in (
        "test_public_api",
        "second_decoder",
        "strategies",
        "vector_files",
        "compare_outputs",
        "test_compare_outputs",
    )
)
FOLDERS = ("contract", "second", "second_mac")
SET = sorted([*(path for folder in FOLDERS for path in (TESTS / folder).glob("*.py")), *BESIDE])
ENTRY = ("lowpanbudget.cli.main", "run")
INSIDE = re.compile(r"\blowpanbudget\.(?!cli\.main\b)[a-z_]+[.a-z_]*")


@cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


def imports(nodes: Iterable[ast.AST]) -> Iterator[tuple[str, str]]:
    """Yield (module, name) for everything imported, at whatever depth; the name is "" for a module."""
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0
            yield from ((node.module or "", alias.name) for alias in node.names)


def is_public(module: str, name: str) -> bool:
    if module == "lowpanbudget":
        return not name or name in lowpanbudget.__all__
    return (module, name) == ENTRY


@pytest.mark.parametrize("path", SET, ids=[path.name for path in SET])
def test_only_public_names_are_imported(path: Path) -> None:
    for module, name in imports(nodes_of(path)):
        top = module.partition(".")[0]
        if top == "lowpanbudget":
            assert is_public(module, name), f"{module}.{name} is private"
        elif (TESTS / top).exists() or (TESTS / f"{top}.py").exists():
            homes = [TESTS / f"{module.replace('.', '/')}.py", TESTS / module / f"{name}.py"]
            assert any(home in SET for home in homes), f"{module} is no part of the set"
        else:
            assert importlib.util.find_spec(top) is not None
            assert top != "importlib" or path == Path(__file__)
    for node in nodes_of(path):
        if isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "lowpanbudget":
            assert node.attr in (*lowpanbudget.__all__, "__all__", "__file__"), node.attr


@pytest.mark.parametrize("path", SET, ids=[path.name for path in SET])
def test_no_text_names_a_private_module(path: Path) -> None:
    """A patch or a program of its own reaches a module by its name in a text."""
    texts = [n.value for n in nodes_of(path) if isinstance(n, ast.Constant) and isinstance(n.value, str)]  # fmt: skip
    assert [found for text in texts for found in INSIDE.findall(text)] == []


def test_what_saves_time_is_left_out_where_the_inside_has_other_names(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """``played_once`` of ``conftest`` lets tests share what networks came to: a rebuild loses that, and no test."""
    spec = importlib.util.spec_from_file_location("conftest_read_again", TESTS / "conftest.py")
    assert spec is not None
    assert spec.loader is not None
    read = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(read)
    shared = list(read.shared())
    assert len(shared) == 5
    monkeypatch.setattr(
        read, "_PLAYED", tuple((f"{one}_moved", *rest) for one, *rest in read._PLAYED)
    )
    assert list(read.shared()) == []
    monkeypatch.setattr(
        read, "_PLAYED", (("errors", "no_such_name", 0, ("errors", "no.such.place")),)
    )
    assert list(read.shared()) == []


def test_the_check_itself_sees_what_is_private() -> None:
    inside = "lowpanbudget" + ".stack"
    private = f"from {inside} import split\nfrom lowpanbudget import bits\nimport {inside}.frame"
    assert [is_public(*one) for one in imports(ast.walk(ast.parse(private)))] == [False] * 3
    assert is_public("lowpanbudget", "split")
    assert is_public(*ENTRY)
    assert INSIDE.search(f"{inside}.frame.decode_frame")
    assert not INSIDE.search("from lowpanbudget.cli.main import run")
