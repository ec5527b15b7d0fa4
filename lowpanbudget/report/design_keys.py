"""The tables of a design file as plain data, from the schema that judges it: keys, what they take, what they mean."""

from collections.abc import Iterator
from functools import cache
from typing import Any

_TYPES = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "true or false",
    "object": "table of names and whole numbers",
}
_BOUNDS = (
    ("minimum", ">="),
    ("exclusiveMinimum", ">"),
    ("maximum", "<="),
    ("exclusiveMaximum", "<"),
)
_MOST_WORDS = 8  # of a choice that are printed in full


def tables() -> Iterator[dict[str, Any]]:
    """Yield every table of a design file outside of message fields: its name, its text, its keys."""
    schema = _schema()
    yield from _below(schema, schema, "", listed=False)


@cache
def kinds() -> tuple[dict[str, Any], ...]:
    """Return every kind of field: its name, its text, its keys, and one as it is written."""
    from lowpanbudget.payload.registry import all_kinds as declared  # noqa: PLC0415

    schema = _schema()
    mapping = schema["$defs"]["MessageShape"]["properties"]["field"]["items"]["discriminator"][
        "mapping"
    ]
    return tuple(
        {
            "name": word,
            "text": kind.about,
            "keys": _keys(schema, _target(schema, mapping[word])),
            "written": f"[[message.field]]\n{kind.written}",
        }
        for word, kind in declared().items()
    )


def explained(entry: dict[str, Any], kind: str) -> dict[str, Any]:
    """Return a table or a kind of field as the explanation of a term."""
    titled = (
        f"{entry['name']}, a kind of field"
        if kind == "kind of field"
        else f"{entry['name']} in a design file"
    )
    return {
        "term": titled,
        "kind": kind,
        "text": entry["text"],
        **{key: entry[key] for key in ("keys", "written") if key in entry},
    }


def all_kinds() -> dict[str, Any]:
    """Return all kinds of fields with the keys that each must have."""
    rows = [
        {
            "kind": kind["name"],
            "must have": ", ".join(key["key"] for key in kind["keys"] if key["needed"]),
            "what it is": kind["text"],
        }
        for kind in kinds()
    ]
    text = (
        "What a message is made of. Each [[message.field]] says its kind, and all but elements of arrays and "
        "reserved bits have a name. Ask for a kind to see its keys and one that is written out."
    )
    return {
        "term": "field, [[message.field]] in a design file",
        "kind": "kinds of fields",
        "text": text,
        "rows": rows,
    }


@cache
def _schema() -> dict[str, Any]:
    from lowpanbudget.design.load import design_schema  # noqa: PLC0415

    return design_schema()


def _target(schema: dict[str, Any], reference: str) -> dict[str, Any]:
    target: dict[str, Any] = schema["$defs"][reference.removeprefix("#/$defs/")]
    return target


def _below(
    schema: dict[str, Any], table: dict[str, Any], path: str, *, listed: bool
) -> Iterator[dict[str, Any]]:
    if path:
        head = f"[[{path}]]" if listed else f"[{path}]"
        yield {
            "name": head,
            "text": table.get("description", ""),
            "keys": _keys(schema, table),
        }
    for name, key in table["properties"].items():
        inner = f"{path}.{name}" if path else name
        if "$ref" in key:
            yield from _below(schema, _target(schema, key["$ref"]), inner, listed=False)
        elif "$ref" in key.get("items", {}):
            yield from _below(schema, _target(schema, key["items"]["$ref"]), inner, listed=True)


def _keys(schema: dict[str, Any], table: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the keys of a table, required ones first."""
    needed = table.get("required", [])
    keys = [
        {
            "key": name,
            "takes": _takes(key),
            "needed": name in needed,
            "default": key.get("default"),
            "meaning": key.get("description", "") or _about(schema, key),
        }
        for name, key in table["properties"].items()
        if name != "kind"
    ]
    return sorted(keys, key=lambda row: not row["needed"])


def _about(schema: dict[str, Any], key: dict[str, Any]) -> str:
    reference = key.get("$ref") or key.get("items", {}).get("$ref")
    return _target(schema, reference).get("description", "") if reference else ""


def _takes(key: dict[str, Any]) -> str:
    if "oneOf" in key or "oneOf" in key.get("items", {}):
        return "fields" if "items" in key else "a field"
    if "$ref" in key:
        return "table"
    if "anyOf" in key:
        return " or ".join(_takes(option) for option in key["anyOf"])
    if "enum" in key:
        words = [f'"{word}"' if isinstance(word, str) else str(word) for word in key["enum"]]
        more = [f"{len(words) - _MOST_WORDS} more"] if len(words) > _MOST_WORDS else []
        return " or ".join([*words[:_MOST_WORDS], *more])
    if "const" in key:
        return str(key["const"])
    if key.get("type") == "array":
        return "tables" if "$ref" in key.get("items", {}) else f"list of {_takes(key['items'])}"
    types = key.get("type", "")
    names = " or ".join(_TYPES[option] for option in ([types] if isinstance(types, str) else types))
    bounds = [f"{sign} {key[bound]}" for bound, sign in _BOUNDS if bound in key]
    if bounds == [">= 0"]:  # a count, as every whole number here that has no other bound
        bounds = []
    return f"{names} {', '.join(bounds)}".rstrip()
