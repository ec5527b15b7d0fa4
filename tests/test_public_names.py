"""What the package offers from Python: every name is there, documented, and loaded when it is first used."""

import ast
import inspect
import re
import sys
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from types import FunctionType
from typing import Any, get_args, get_type_hints

import numpy as np
import pytest
from public_inner import INNER, KEPT, PARTS, is_offered

import lowpanbudget
from lowpanbudget.stack.layer import Layer

PACKAGE = Path(lowpanbudget.__file__).parent
NAMES = tuple(lowpanbudget.__all__)
FUNCTIONS = [name for name in NAMES if inspect.isfunction(getattr(lowpanbudget, name))]
CLASSES = [name for name in NAMES if inspect.isclass(getattr(lowpanbudget, name))]


def test_type_checkers_and_programs_find_the_same_names() -> None:
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    typed = {
        alias.asname: f"{node.module}"
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
        if alias.asname
    }
    assert typed == {name: f"lowpanbudget.{lowpanbudget._HOMES[name]}" for name in NAMES}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_says_what_it_returns_and_what_it_raises(name: str) -> None:
    function = getattr(lowpanbudget, name)
    text = inspect.getdoc(function) or ""
    assert re.match(r"(Return|Yield|Write)", text), text
    assert re.search(r"[Rr]aises", text), text
    assert inspect.signature(function).return_annotation is not inspect.Signature.empty


@pytest.mark.parametrize("name", CLASSES)
def test_a_class_and_all_that_is_public_in_it_is_described(name: str) -> None:
    kind = getattr(lowpanbudget, name)
    assert len((kind.__doc__ or "").split()) >= 5, name
    if issubclass(kind, Enum | Exception):
        return
    for attribute, value in vars(kind).items():
        if attribute.startswith("_") or not (
            isinstance(value, property | classmethod | staticmethod) or inspect.isfunction(value)
        ):
            continue
        inner = value.__func__ if isinstance(value, classmethod | staticmethod) else value
        assert inner.__doc__, f"{name}.{attribute}"


WIRE = ("fields.tagged", "layers.")
CODECS = ("payload.forms.senml", "stack.convert", "stack.decoder", "stack.encoding", "stack.split")
SOURCE = re.compile(
    r"RFC 768\b|RFC \d+ (?:§|sections? |appendix )|IEEE 802\.15\.4-\d{4} (?:§|clause |table )"
)


@pytest.mark.parametrize(
    "name",
    [
        name
        for name in NAMES
        if lowpanbudget._HOMES[name].startswith(WIRE)
        or (name in FUNCTIONS and lowpanbudget._HOMES[name].startswith(CODECS))
    ],
)
def test_what_is_on_the_wire_names_its_source(name: str) -> None:
    """Document and section; RFC 768 has none. The IEEE text is not to be had: from memory, and it says so."""
    text = " ".join((inspect.getdoc(getattr(lowpanbudget, name)) or "").split())
    assert SOURCE.search(text), text
    assert "IEEE" not in text or "from memory" in text, text


def test_a_layout_tells_the_section_of_its_figure() -> None:
    """These figures were looked for in the documents."""
    for name, source in {
        "Dio": "RFC 6550 §6.3.1",
        "Mtu": "RFC 4861 §4.6.4",
        "Iphc": "RFC 6282 §3.1.1",
        "Rfrag": "RFC 8931 §5.1",
        "Beacon": "IEEE 802.15.4-2006 §7.2.2.1, from memory",
    }.items():
        assert (inspect.getdoc(getattr(lowpanbudget, name)) or "").endswith(f"Source: {source}.")


def _used() -> set[str]:
    """Return the names that tests outside the package take from it and use."""
    used: set[str] = set()
    here = Path(__file__).parent
    for path in [*here.glob("test_public_*.py"), *(here / "contract").glob("*.py")]:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        taken = {
            alias.name
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and node.module == "lowpanbudget"
            for alias in node.names
        }
        used |= taken & {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    return used


def test_every_name_is_used_in_some_test() -> None:
    assert sorted(set(NAMES) - _used()) == []


def test_every_name_stands_among_the_questions() -> None:
    """DEVELOPERS.md lists the public names by what is asked, and none that is gone."""
    text = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("## The public names")[1].split("\nResults refuse")[0]
    told = set(re.findall(r"`(\w+)`", table))
    assert sorted(set(NAMES) - told) == []
    assert told - set(NAMES) == {"NAMES", "read_x", "write_x"}


def test_the_types_of_all_functions_can_be_read() -> None:
    for name in FUNCTIONS:
        assert "return" in get_type_hints(getattr(lowpanbudget, name)), name


def _typed() -> Iterator[tuple[str, Any]]:
    """Yield public functions, classes with annotated attributes, and their methods and properties, by name."""
    for name in NAMES:
        value = getattr(lowpanbudget, name)
        yield name, value
        for own, held in vars(value).items() if inspect.isclass(value) else ():
            if own.startswith("_") or f"{name}.{own}" in (*INNER, *KEPT):
                continue
            if isinstance(held, property):
                yield f"{name}.{own}", held.fget
            elif name not in PARTS and isinstance(held, FunctionType):
                yield f"{name}.{own}", held
            elif name not in PARTS and isinstance(held, classmethod | staticmethod):
                yield f"{name}.{own}", held.__func__


def _inside(hint: Any) -> Iterator[Any]:
    """Yield the classes of an annotation."""
    parts = hint if isinstance(hint, list) else get_args(hint)
    if not parts and isinstance(hint, type):
        yield hint
    for part in parts:
        yield from _inside(part)


def test_what_public_calls_take_and_return_is_public() -> None:
    typed = list(_typed())  # which loads all modules
    modules = [module for name, module in sys.modules.items() if name.startswith("lowpanbudget.")]
    # what is not loaded for its types alone
    anywhere: dict[str, Any] = {"Ccm": Any, "CounterMode": Any, "np": np, "Layer": Layer}
    for module in modules:
        anywhere |= {name: one for name, one in vars(module).items() if inspect.isclass(one)}
    found = set()
    for name, value in typed:
        known = {**anywhere, **vars(sys.modules[value.__module__])}
        for part, hint in get_type_hints(value, known, known).items():
            if not part.startswith("_") and f"{name}.{part}" not in KEPT:
                strange = [kind.__name__ for kind in _inside(hint) if not is_offered(kind)]
                found |= {f"{name}.{part}: {kind}" for kind in strange}
    assert sorted(found) == []
