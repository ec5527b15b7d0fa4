"""The house: no circles, one class a name, modules that can be read in one go, and what is gone stays gone."""

import ast
import re

import pytest
from house import MODULES, PACKAGE, circles, class_names, name_of, nodes_of

LONGEST = 330
TABLES = {""}  # modules that are longer because a list is: the public names of the package

# what one layout language and one packet tree have replaced
GONE = [
    "layers/link/layouts.py",
    "layers/internet/records.py",
    "layers/internet/parts.py",
    "layers/listings.py",
    "stack/restored.py",
    "stack/restored_fields.py",
    "stack/restoring.py",
    "findings/pieces.py",
    "findings/fragmented.py",
    "columns.py",
    "capture/shape.py",
    "capture/packet.py",
    "capture/traced.py",
    "capture/decoding.py",
    "capture/assembly.py",
]


def test_no_module_stands_in_a_circle() -> None:
    assert list(circles()) == []


def test_a_circle_would_be_seen() -> None:
    names = {name_of(path) for path in MODULES}
    assert "stack.frame" in names
    assert "cli.audit" in names, (
        "commands that are imported by their name are modules like all others"
    )


def test_no_class_name_stands_for_two_classes() -> None:
    twice = {name: places for name, places in class_names().items() if len(places) > 1}
    assert twice == {}


def test_modules_can_be_read_in_one_go() -> None:
    lengths = {name_of(p): len(p.read_text(encoding="utf-8").splitlines()) for p in MODULES}
    assert {name: n for name, n in lengths.items() if n > LONGEST and name not in TABLES} == {}


@pytest.mark.parametrize("path", GONE)
def test_what_was_replaced_is_gone(path: str) -> None:
    assert not (PACKAGE / path).exists()


def _is_text(node: ast.expr) -> bool:
    """Return whether an expression is a text, a collection of texts, or a constant of the module."""
    if isinstance(node, ast.Constant):
        return isinstance(node.value, str)
    if isinstance(node, ast.Set | ast.Tuple | ast.List):
        return any(map(_is_text, node.elts))
    return isinstance(node, ast.Name) and node.id.strip("_").isupper()


def test_nothing_is_decided_by_a_phrase_in_a_text() -> None:
    wrong = [
        f"{name_of(path)}:{node.lineno}: {ast.unparse(node)}"
        for path in MODULES
        for node in nodes_of(path, ast.Compare)
        if isinstance(node.ops[0], ast.In | ast.NotIn)
        if isinstance(node.left, ast.Constant) and isinstance(node.comparators[0], ast.Attribute)
        if node.comparators[0].attr in {"text", "message", "meaning", "reason", "hint"}
    ]
    assert wrong == []


def test_nothing_is_decided_by_the_text_of_a_span_or_the_name_of_a_class() -> None:
    wrong = []
    for path in MODULES:
        for node in nodes_of(path, ast.Compare):
            sides = (node.left, *node.comparators)
            if not any(_is_text(side) for side in sides):
                continue
            for side in sides:
                attribute = side.attr if isinstance(side, ast.Attribute) else ""
                owner = ast.unparse(side.value) if isinstance(side, ast.Attribute) else ""
                spans = re.search(r"span|\bs\b", owner) is not None
                if attribute in {"__name__", "__qualname__"} or (
                    attribute in {"name", "layer", "meaning"} and spans
                ):
                    wrong.append(f"{name_of(path)}:{node.lineno}: {ast.unparse(node)}")
    assert [text for text in wrong if "__main__" not in text] == []
