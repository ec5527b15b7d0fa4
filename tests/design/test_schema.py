"""The JSON Schema for editors: it describes every key, and a small reader of our own checks the examples against it."""

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from design.designs import DESIGN_FILES, SMALL, changed

from lowpanbudget.design.load import design_schema

SCHEMA = design_schema()
TYPES: dict[str, tuple[type, ...]] = {
    "object": (dict,),
    "array": (list,),
    "string": (str,),
    "boolean": (bool,),
    "integer": (int,),
    "number": (int, float),
}
KNOWN = {"examples",
    "$defs", "$ref", "$schema", "additionalProperties", "anyOf", "const", "default", "description",
    "discriminator", "enum", "exclusiveMaximum", "exclusiveMinimum", "items", "maximum", "maxItems", "maxLength",
    "minItems", "minLength", "minimum", "oneOf", "properties", "required", "title", "type",
}  # fmt: skip


def parts(node: Any) -> Iterator[dict[str, Any]]:
    """Yield every schema inside a schema."""
    yield node
    for key in ("properties", "$defs"):
        for inner in node.get(key, {}).values():
            yield from parts(inner)
    for key in ("items", "additionalProperties"):
        if isinstance(node.get(key), dict):
            yield from parts(node[key])
    for key in ("anyOf", "oneOf"):
        for inner in node.get(key, []):
            yield from parts(inner)


def faults(value: Any, node: dict[str, Any], path: str = "") -> list[str]:
    """Return where a value disagrees with a schema; of JSON Schema 2020-12 only what ours uses (``KNOWN``)."""
    found: list[str] = []
    if "$ref" in node:
        found += faults(value, SCHEMA["$defs"][node["$ref"].removeprefix("#/$defs/")], path)
    for key, enough in (("anyOf", 1), ("oneOf", 1)):
        if key in node:
            good = sum(not faults(value, option, path) for option in node[key])
            if good < enough or (key == "oneOf" and good != 1):
                found.append(f"{path}: {good} of {key}")
    kinds = node.get("type", [])
    kinds = [kinds] if isinstance(kinds, str) else kinds
    if kinds and not any(
        isinstance(value, TYPES[kind]) and (kind == "boolean" or not isinstance(value, bool))
        for kind in kinds
    ):
        return [*found, f"{path}: no {kinds}"]
    if "const" in node and value != node["const"]:
        found.append(f"{path}: not {node['const']}")
    if "enum" in node and value not in node["enum"]:
        found.append(f"{path}: none of {node['enum']}")
    if isinstance(value, int | float) and not (
        node.get("minimum", value) <= value <= node.get("maximum", value)
        and node.get("exclusiveMinimum", value - 1)
        < value
        < node.get("exclusiveMaximum", value + 1)
    ):
        found.append(f"{path}: out of range")
    if isinstance(value, dict):
        known = node.get("properties", {})
        found += [
            f"{path}: {key} is missing" for key in node.get("required", []) if key not in value
        ]
        other = node.get("additionalProperties", True)
        for key, inner in value.items():
            if key in known:
                found += faults(inner, known[key], f"{path}.{key}")
            elif other is False:
                found.append(f"{path}: {key} is unknown")
            elif isinstance(other, dict):
                found += faults(inner, other, f"{path}.{key}")
    if isinstance(value, list) and not (
        node.get("minItems", 0) <= len(value) <= node.get("maxItems", len(value))
    ):
        found.append(f"{path}: {len(value)} items")
    if isinstance(value, list) and "items" in node:
        for index, inner in enumerate(value):
            found += faults(inner, node["items"], f"{path}[{index}]")
    return found


def test_only_known_words_are_used() -> None:
    for node in parts(SCHEMA):
        assert set(node) <= KNOWN
    assert json.loads(json.dumps(SCHEMA)) == SCHEMA
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_every_key_is_described() -> None:
    bare = [
        name for node in parts(SCHEMA) for name, key in node.get("properties", {}).items()
        if not key.get("description")
    ]  # fmt: skip
    assert bare == []


def test_nothing_may_be_null_and_defaults_are_what_they_say() -> None:
    for node in parts(SCHEMA):
        assert node.get("type") != "null"  # TOML has none
        if "default" in node and ("type" in node or "enum" in node):
            assert faults(node["default"], node) == []


@pytest.mark.parametrize("path", DESIGN_FILES, ids=lambda path: path.stem)
def test_the_examples_agree(path: Path) -> None:
    assert faults(tomllib.loads(path.read_text(encoding="utf-8")), SCHEMA) == []


def test_what_is_wrong_disagrees() -> None:
    assert faults(tomllib.loads(SMALL), SCHEMA) == []
    for old, new in (
        ("hops = 3", "hopz = 3"),
        ("hops = 3", "hops = 0"),
        ("pan_id = 0x1a2b", "pan_id = 70000"),
        ('role = "border"', 'role = "x"'),
        ('kind = "boolean"', 'kind = "bool"'),
        ("title = ", "titel = "),
        ("slotted = true", "slotted = 1"),
        ("frame_version = 2", "frame_version = true"),
        ("[network]", "[battery]\ncapacity_mah = [1, 2]\n[network]"),
        ("[network]", "[battery]\ncapacity_mah = 0\n[network]"),
    ):
        assert faults(tomllib.loads(changed((old, new))), SCHEMA)
